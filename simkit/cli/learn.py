"""`simkit learn`: readings after a real step show which history of the dent is more probable."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import click

from simkit.case import Case
from simkit.checks.deeper import check_case
from simkit.cli.answer import json_option, result
from simkit.cli.working import cautions, hello, say
from simkit.dent.points import read_loose_points
from simkit.errors import InputError
from simkit.history.learning import STRENGTH_STANDARD_ERROR
from simkit.study.attempt import same_case, set_of
from simkit.study.learn import advise, belief, histories_of, learn_from
from simkit.study.run import prepare


@click.command("learn", epilog="""\b
Examples:
  simkit learn runs/crown --step 1 --readings after.csv
  simkit learn runs/crown --advise
  simkit learn runs/crown --case cases/first-dent --step 1 --readings after.csv
""")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--case", "case", type=click.Path(), metavar="CASE",
              help="The case of the run; needed where it names data files.")
@click.option("--step", type=click.IntRange(1), metavar="N", help="Step after which was read.")
@click.option("--readings", type=click.Path(path_type=Path), metavar="CSV",
              help="Deviations read after that step: columns x_mm, y_mm, d_mm.")
@click.option("--advise", "wanted", is_flag=True,
              help="Name the light taps that distinguish the histories best, and where to read "
                   "after them; for the state of the panel after the run.")
@click.option("--threads", type=click.IntRange(1, 64), default=2, show_default=True,
              help="Threads for the sheet.")
@json_option
def command(run: Path, case: str | None, step: int | None, readings: Path | None, wanted: bool,
            threads: int) -> None:
    """Learn from readings after a step of RUN which history its dent has.

    Several histories give the same dent but predict different results of a step. The recorded steps
    are carried out on each of them (stored below RUN/doubt; interrupted work is continued). A few
    readings, such as five after the first light tap, then change the posterior weights of the
    histories: RUN/learned.json holds the weights before and after, RUN/learned.csv the expected
    result of every step. A wrong reading is named and left out; a file of another panel is refused.
    Exit code 0 when something was learned or advised, 2 for bad input.
    """
    if (step is None) != (readings is None) or (readings is None and not wanted):
        raise InputError("nothing to learn from", "--step with --readings, or --advise")
    points = None if readings is None else read_loose_points(readings)
    checked = _case_of(run, case)
    hello(checked)
    start = prepare(checked, _reconstructed(run), threads, say, bulk=True)
    histories = histories_of(start, run, say)
    noise = 0.0 if checked.dent is None else checked.dent.noise_mm
    answer: dict[str, object] = {}
    if points is not None and step is not None:
        lesson = learn_from(histories, step, points, noise, run)
        say("")
        for line in belief(lesson.histories, lesson.learned):
            say(line)
        for text in lesson.sentences or ("nothing surprising",):
            say(text)
        say(f"table    {lesson.table}")
        answer |= {"learned": lesson.learned, "said": lesson.sentences, "table": lesson.table}
        histories = lesson.histories
    if wanted:
        found = advise(histories, noise, lambda text: None)
        say("")
        say("The best tap first:" if found else "There is no crown to tap on, or no tip in the "
            "kit. Readings after any step distinguish the histories: the model's error of a "
            f"step's strength is taken as {100 * STRENGTH_STANDARD_ERROR:.0f} %.")
        for one in found:
            say(one.sentence())
        answer["advice"] = found
    cautions()
    result(answer)


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
