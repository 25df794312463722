"""`simkit learn`: readings after a real step show which history of the dent is more probable."""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from pathlib import Path

import click

from simkit.case import Case
from simkit.checks.deeper import check_case
from simkit.cli.answer import json_option, number_or_text, result
from simkit.cli.working import cautions, clear, hello, left_words, say
from simkit.errors import InputError
from simkit.files import write_table
from simkit.history.learning import STRENGTH_STANDARD_ERROR
from simkit.record.read import read_run
from simkit.show.draw import draw_run
from simkit.show.rehearsed import draw_rehearsed
from simkit.strategy import Strategy, find_strategy
from simkit.study.attempt import same_case, set_of
from simkit.study.doubt import doubt
from simkit.study.ensemble import Ensemble
from simkit.study.learn import History, advise, belief, histories_of, learn_from
from simkit.study.readings import LARGEST_NOISE_MM, gauge_noise, read_readings
from simkit.study.rehearsal import COLUMNS, compared, rehearse, rows_of
from simkit.study.renewed import at_dent, renew
from simkit.study.run import NO_MATCH, Start, prepare


@click.command("learn", epilog="""\b
Examples:
  simkit learn runs/crown --step 1 --readings after.csv
  simkit learn runs/crown --advise
  simkit learn runs/crown --case cases/first-dent --step 1 --readings after.csv
  simkit learn runs/crown --step 1 --readings after.csv --then worst-spot-first
  simkit learn runs/crown --rehearse worst-spot-first --as 1
""")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--case", "case", type=click.Path(), metavar="CASE",
              help="The case of the run; needed where it names data files.")
@click.option("--step", type=click.IntRange(1), metavar="N", help="Step after which was read.")
@click.option("--readings", type=click.Path(path_type=Path), metavar="CSV",
              help="Deviations read after that step: columns x_mm, y_mm, d_mm and, better, "
                   "before_mm, read at the same places before it.")
@click.option("--noise-mm", type=click.FloatRange(0.0, LARGEST_NOISE_MM), metavar="MM",
              help="Standard error of one of these readings; that of the case's depths if not "
                   "given.")
@click.option("--advise", "wanted", is_flag=True,
              help="Name the light taps that distinguish the histories best, and where to read "
                   "after them; for the state of the panel after the run.")
@click.option("--then", "strategy", metavar="NAME",
              help="Renew the plan: carry the history that is now most probable through the steps "
                   "up to N and let this strategy go on from there, as a run of its own.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of the renewed run; RUN/renewed/<step>-<strategy> if not given.")
@click.option("--band", is_flag=True,
              help="Repeat the renewed run on every history; writes its band.csv.")
@click.option("--fresh", is_flag=True, help="Start again although --out holds a renewed run.")
@click.option("--rehearse", "rehearsed", metavar="NAME",
              help="Rehearse the repair by this strategy on one of the histories as the true one, "
                   "with the case's hand and five readings after each step, and without readings; "
                   "writes RUN/rehearsed.csv.")
@click.option("--as", "true", type=click.IntRange(0), metavar="N",
              help="Number of the history that --rehearse takes as the true one, as the output "
                   "names them; 0 is that of the run itself, 1 if not given.")
@click.option("--threads", type=click.IntRange(1, 64), default=2, show_default=True,
              help="Threads for the sheet; so many processes for the other histories.")
@json_option
def command(run: Path, case: str | None, step: int | None, readings: Path | None,
            noise_mm: float | None, wanted: bool, strategy: str | None, out: Path | None,
            band: bool, fresh: bool, rehearsed: str | None, true: int | None, threads: int
            ) -> None:
    """Learn from readings after a step of RUN which history its dent has.

    Several histories give the same dent but predict different results of a step. The recorded steps
    are carried out on each of them (stored below RUN/doubt; interrupted work is continued). A few
    readings then change the posterior weights of the histories, such as five after the first light
    tap; best those read before it too (column before_mm) and with a fine gauge. RUN/learned.json
    holds the weights before and after, RUN/learned.csv the expected result of every step. A wrong
    reading is named and left out; a file of another panel is refused.
    With --then the plan is renewed, and the renewed run can be learned from in its turn. With
    --rehearse the whole repair is rehearsed, with readings after each step and without. Exit code
    0 when something was learned, advised or rehearsed, 2 for bad input.
    """
    if (step is None) != (readings is None) or (readings is None and not (wanted or rehearsed)):
        raise InputError("nothing to learn from", "--step with --readings, --advise or --rehearse")
    if true is not None and rehearsed is None:
        raise InputError("--as without a rehearsal", "--rehearse STRATEGY with it")
    if (strategy is None and (out or band or fresh)) or (strategy and readings is None):
        raise InputError("a plan can be renewed only after readings",
                         "--step, --readings and --then; --out, --band, --fresh only with --then")
    read = None if readings is None else read_readings(readings, 0.0)
    checked = _case_of(run, case)
    noise = gauge_noise(checked, noise_mm)
    plan = None if strategy is None else find_strategy(strategy, checked)
    if rehearsed is not None:
        find_strategy(rehearsed, checked)
    place = out or run / "renewed" / f"{step or 0:02d}-{strategy}"
    if run.resolve().is_relative_to(place.resolve()):
        raise InputError("this folder holds the run that is read", "another folder for --out",
                         str(place))
    clear(place, fresh, None if case is None else checked)  # else the case has no folder
    hello(checked)
    start = prepare(checked, _reconstructed(run), threads, say, bulk=True)
    histories = histories_of(start, run, say, threads)
    if true is not None and true >= len(histories):
        raise InputError(f"no history {true}", f"0 to {len(histories) - 1}", key="--as")
    answer: dict[str, object] = {}
    if read is not None and step is not None:
        lesson = learn_from(histories, step, replace(read, noise_mm=noise), run)
        say("")
        for line in belief(lesson.histories, lesson.learned):
            say(line)
        for text in lesson.sentences or ("nothing surprising",):
            say(text)
        say(f"table    {lesson.table}")
        answer |= {"learned": lesson.learned, "said": lesson.sentences, "table": lesson.table}
        histories = lesson.histories
    if plan is not None and step is not None:
        answer |= _go_on(start, histories, step, plan, place, band, threads)
    if wanted:
        found = advise(histories, noise, lambda text: None)
        say("")
        say("The best tap first:" if found else "There is no crown to tap on, or no tip in the "
            "kit. Readings after any step distinguish the histories: the model's error of a "
            f"step's strength is taken as {100 * STRENGTH_STANDARD_ERROR:.0f} %.")
        for one in found:
            say(one.sentence())
        answer["advice"] = found
    if rehearsed is not None:
        answer["rehearsed"] = _rehearse(start, histories, rehearsed,
                                        1 if true is None else true, noise, run)
    cautions()
    result(answer)


def _go_on(start: Start, histories: tuple[History, ...], step: int, plan: Strategy, place: Path,
           band: bool, threads: int) -> dict[str, object]:
    """The renewed run, its pictures and what to do next."""
    say("")
    after, row = renew(start, histories, step, plan, place, say)
    doubted = doubt(after, place, say, threads) if band and row["outcome"] != NO_MATCH else None
    pictures = draw_run(place)
    steps = read_run(place).steps
    say("")
    say(f"next     {steps[step + 1].row['said']}" if len(steps) > step + 1 else
        f"nothing follows: {row['outcome']}")
    say(f"renewed  {row['outcome']}: {row['steps']} steps with the {step} done, {left_words(row)}")
    if doubted:
        say(doubted[1])
    say(f"record   {place / 'steps.csv'}")
    for picture in pictures:
        say(f"picture  {picture}")
    return {"renewed": {key: number_or_text(text) for key, text in row.items()}, "folder": place,
            "pictures": pictures, "band": doubted[0] if doubted else None}


def _rehearse(start: Start, histories: tuple[History, ...], name: str, true: int, noise_mm: float,
              run: Path) -> dict[str, object]:
    """The repair rehearsed from its dent, with readings and without; writes rehearsed.csv."""
    dents = tuple(replace(one, session=at_dent(start, one)) for one in histories)
    ensemble = Ensemble(dents, (1.0,) * len(dents))
    say("")
    say(f"taken as true: history {true}, {dents[true].words}")
    done = {}
    for key, wanted in (("with readings", True), ("without", False)):
        say(f"{key}:")
        done[key] = rehearse(ensemble, dents[true].session,
                             lambda: find_strategy(name, start.work.case), noise_mm, wanted, say)
    lines = compared(tuple(done.items()))
    for line in ("", *lines):
        say(line)
    rows = [row for key, one in done.items()
            for row in rows_of(one, "yes" if key == "with readings" else "no", true)]
    table = run / "rehearsed.csv"
    write_table(table, COLUMNS, rows)
    picture = draw_rehearsed(start.work.case.title, rows, run / "rehearsed.png")
    say(f"table    {table}")
    say(f"picture  {picture}")
    return {"true": dents[true].words, "lines": lines, "table": table, "picture": picture}


def _case_of(run: Path, case: str | None) -> Case:
    """The named case, or the one stored with the run if that needs no data files."""
    if case is not None:
        checked = check_case(case, set_of(run))
        same_case(checked, run)
        return checked
    try:
        stored = json.loads((run / "case.json").read_text("utf-8"))
        text = json.dumps(stored["case"])
        files = stored["data_sha256"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError("not a run folder, or a damaged one", "a folder written by simkit run",
                         file=str(run)) from error
    if files:
        raise InputError("this run's case names data files", "the case itself: --case CASE",
                         file=str(run))
    with tempfile.TemporaryDirectory() as folder:
        # JSON is YAML, so that the stored case is read and checked like any other.
        (Path(folder) / "case.yaml").write_text(text, "utf-8")
        return check_case(folder)


def _reconstructed(run: Path) -> Path:
    """Folder in which the run's dent is stored: that of the run or that of its comparison."""
    for folder in (run, run.parent.parent):
        if (folder / "reconstruction.json").exists():
            return folder
    raise InputError("this run's dent is not stored", "a folder written by simkit run or compare",
                     file=str(run))
