"""`simkit compare`: repair one case, or several, by several strategies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from simkit.case import Case
from simkit.cli.answer import json_option, number_or_text, result
from simkit.cli.settings import checked_case, set_option
from simkit.cli.tables import say_comparison
from simkit.cli.working import (
    ACCEPT,
    EXIT_NO_MATCH,
    EXIT_NOT_CONVERGED,
    cautions,
    clear,
    hello,
    no_match,
    out_folder,
    say,
    set_tail,
)
from simkit.errors import InputError, InputErrors
from simkit.kernels.teamwork import cores
from simkit.show.draw import draw_comparison, draw_run
from simkit.strategy import find_strategy
from simkit.study.compare import compare
from simkit.study.run import NO_MATCH, UNBALANCED
from simkit.study.several import join_cases, open_several, unlike_names


@dataclass(frozen=True)
class Wanted:
    """One case of a comparison: its short name, its strategies, its folder."""

    name: str
    case: Case
    strategies: tuple[str, ...]
    folder: Path


@click.command(epilog="""\b
Examples:
  simkit compare cases/first-dent --out runs/first
  simkit compare cases/crease --strategies crown-first,centre-first
  simkit compare cases/first-dent cases/crease cases/aluminium-bowl --out runs/three
  simkit compare cases/first-dent --set kit.glue=strong-hot-melt --out runs/first-strong
""")
@click.argument("cases", nargs=-1, required=True, metavar="CASE...", type=click.Path())
@click.option("--strategies", metavar="NAMES",
              help="Names with commas between; those of the case if not given.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of the comparison; runs/<case>-comparison if not given.")
@click.option("--workers", type=click.IntRange(1, 64), default=None,
              help="Strategies at once; as many as there are processors if not given.")
@click.option("--accept-mismatch", "accept", is_flag=True, help=ACCEPT)
@click.option("--fresh", is_flag=True, help="Start again although the folder holds a comparison.")
@set_option
@json_option
def command(cases: tuple[str, ...], strategies: str | None, out: Path | None, workers: int | None,
            accept: bool, fresh: bool, settings: tuple[str, ...]) -> None:
    """Repair CASE by several strategies with the same tools and compare them.

    Writes compare.csv (one row for each strategy), a run folder for each strategy under runs/, and
    pictures. If there are several cases, each has a folder with its name, and cases.csv joins them
    (one row for each case and strategy, with case, dent, grade, matched and rms_mm). The same
    command continues an interrupted comparison. Exit code 0 when all were compared, flat or not;
    2 for bad input; 3 if one found no equilibrium; 4 if a reconstructed panel does not match the
    measured one.
    """
    found = _all_checked(cases, settings)
    names = unlike_names([case.file for case in found])
    several = len(found) > 1
    top = out or (Path("runs") / f"comparison{set_tail(found[0].settings)}" if several
                  else out_folder(found[0], "comparison"))
    asked = [Wanted(name, case, _strategies_of(case, strategies),
                    top / name if several else top)
             for name, case in zip(names, found, strict=True)]
    # Checks for each case that the folder is not the case's own, before anything is removed.
    for case in found:
        clear(top, False, case)
    clear(top, fresh)
    if several:
        open_several(top)
    tables = {one.name: _compared(one, workers or cores(), accept) for one in asked}
    rows = [row for table in tables.values() for row in table]
    if several:
        file, joined = join_cases(top, {one.name: one.folder for one in asked})
        say("")
        say_comparison(joined)
        say("")
        say(f"table    {file}")
    cautions()
    result(_answer(asked, tables, top))
    _leave(asked, tables, rows)


def _all_checked(paths: Sequence[str], settings: tuple[str, ...]) -> list[Case]:
    """Check every case before work begins; raises all errors of all cases together."""
    found: list[Case] = []
    faults: list[InputError] = []
    for path in paths:
        try:
            found.append(checked_case(path, settings))
        except InputErrors as errors:
            faults += errors.errors
        except InputError as error:
            faults.append(error)
    same = [case.file for case in found]
    faults += [InputError("this case is named twice", "each once", str(file))
               for file in dict.fromkeys(same) if same.count(file) > 1]
    if faults:
        raise InputErrors(faults)
    return found


def _strategies_of(case: Case, names: str | None) -> tuple[str, ...]:
    wanted_names = case.strategies if names is None else tuple(
        name.strip() for name in names.split(",") if name.strip())
    for name in wanted_names:
        find_strategy(name, case)
    return tuple(dict.fromkeys(wanted_names))


def _compared(one: Wanted, workers: int, accept: bool) -> list[dict[str, str]]:
    """Carry one comparison out, draw it and print its results."""
    hello(one.case)
    rows = compare(one.case, one.strategies, one.folder, say, workers, accept)
    pictures = draw_comparison(one.folder)
    for name in one.strategies:
        pictures += draw_run(one.folder / "runs" / name)
    say("")
    say_comparison(rows)
    say("")
    say(f"table    {one.folder / 'compare.csv'}")
    for picture in pictures:
        say(f"picture  {picture}")
    return rows


def _answer(asked: Sequence[Wanted], tables: Mapping[str, list[dict[str, str]]],
            top: Path) -> dict[str, object]:
    """The result as JSON: for one case its own, for several a list of cases."""
    each = [{"folder": one.folder, "pictures": sorted(one.folder.rglob("pictures/*.png")),
             "strategies": [{key: number_or_text(text) for key, text in row.items()}
                            for row in tables[one.name]]} for one in asked]
    if len(asked) == 1:
        return each[0]
    return {"folder": top, "table": top / "cases.csv", "cases": [
        {"case": one.name, **answer} for one, answer in zip(asked, each, strict=True)]}


def _leave(asked: Sequence[Wanted], tables: Mapping[str, list[dict[str, str]]],
           rows: Sequence[Mapping[str, str]]) -> None:
    """Leave with the exit code of the worst case."""
    unmatched = [one for one in asked
                 if any(row["outcome"] == NO_MATCH for row in tables[one.name])]
    for one in unmatched:
        if len(asked) > 1:
            say(f"{one.name}:")
        no_match(one.case)
    if unmatched:
        raise click.exceptions.Exit(EXIT_NO_MATCH)
    if any(row["outcome"] == UNBALANCED for row in rows):
        raise click.exceptions.Exit(EXIT_NOT_CONVERGED)
