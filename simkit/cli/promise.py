"""`simkit promise`: the result that can be promised within a time, and how reliably."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.cli.answer import json_option, result
from simkit.cli.settings import checked_case, set_option
from simkit.cli.working import Finite, cautions, clear, hello, out_folder, say
from simkit.errors import InputError
from simkit.kernels.teamwork import cores
from simkit.record.folder import mine
from simkit.show.promise import draw_promise
from simkit.strategy import find_strategy
from simkit.study.calibration import stored_calibration
from simkit.study.promise import PROMISED_SHARES, Promise, case_digest, promise
from simkit.study.run import prepare


@click.command(epilog="""\b
Examples:
  simkit promise cases/first-dent --minutes 60
  simkit promise cases/left-panel --minutes 150 --runs 24 --strategy alternating
""")
@click.argument("case", type=click.Path())
@click.option("--minutes", type=Finite(1.0, 100000.0), required=True,
              help="Minutes of work that are available.")
@click.option("--runs", type=click.IntRange(2, 10000), default=19, show_default=True,
              help="Panels on which the repair is tried; at least 4 for 80 %, 19 for 95 %.")
@click.option("--strategy", metavar="NAME", help="Strategy; the first of the case if not given.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder; runs/<case>-promise if not given.")
@click.option("--workers", type=click.IntRange(1, 256), default=None,
              help="Runs at once; as many as there are processors if not given.")
@click.option("--fresh", is_flag=True,
              help="Remove what an earlier promise wrote in the folder, and nothing else.")
@set_option
@json_option
def command(case: str, minutes: float, runs: int, strategy: str | None, out: Path | None,
            workers: int | None, fresh: bool, settings: tuple[str, ...]) -> None:
    """Say which improvement of CASE can be promised after a time of work.

    The repair is tried on many panels that fit the readings: with random histories (by their
    weights), sheet thickness, flow stress and errors of the hand. Printed is the improvement that
    is reached at least in half, 80 % and 95 % of the cases, with its confidence interval. It holds
    for panels like those drawn; it has not been checked against real repairs. The same command
    continues interrupted work. Exit code 0 when the runs have results, 2 for bad input.
    """
    checked = checked_case(case, settings)
    name = strategy or checked.strategies[0]
    find_strategy(name, checked)
    folder = out or out_folder(checked, "promise")
    clear(folder, fresh, checked)
    mine(folder)
    hello(checked)
    start = prepare(checked, folder / f"dent-{case_digest(checked)}", workers or cores(), say)
    if not start.matched:
        raise InputError("the dent is not matched, so nothing can be promised", start.sentence,
                         str(checked.file))
    found = promise(start, name, minutes, runs, folder, workers or cores(), say)
    levels = {f"{share:.0%} of cases": _level(found, share) for share in PROMISED_SHARES}
    picture = draw_promise(checked.title, found.grid_min, found.curves, levels,
                           folder / "promise.png")
    say("")
    sentences = [*found.sentences(), *_against_blind_dents(found)]
    for sentence in sentences:
        say(sentence)
    say("")
    say(f"table    {folder / 'promise.csv'}")
    say(f"picture  {picture}")
    cautions()
    result({"sentences": sentences, "table": folder / "promise.csv",
            "picture": picture})


def _against_blind_dents(found: Promise) -> list[str]:
    """The promise corrected by stored blind dents, or a sentence that there are none."""
    known = {share: stored_calibration(share) for share in PROMISED_SHARES}
    if not any(known.values()):
        return ["not checked against blind dents: how often such promises are kept is not known"]
    return [one.sentence(found.at_least(share), found.minutes)
            for share, one in known.items() if one is not None]


def _level(found, share: float):
    # The product with zero gives an array of the curves' shape.
    return found.curves[0] * 0.0 + [found.at_least(share, k) for k in range(found.grid_min.size)]
