"""The panel answers: readings after a step weigh the histories of its dent, in a live session.

The work goes on from the history that is then most probable: if that is another one than before, on
a new branch, which is that history carried through the same steps. Every lesson has a folder of its
own below ``learned``, with the run that was read and the histories' repairs.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from simkit.errors import InputError
from simkit.files import write_json
from simkit.live.workshop import Workshop
from simkit.record.write import identity, open_folder, record_step
from simkit.study.learn import History, advise, histories_of, learn_from
from simkit.study.readings import Readings, as_readings, gauge_noise
from simkit.study.renewed import at_dent, carried, learned_notes
from simkit.study.run import Start

MOST_READINGS = 60
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Answer:
    """Sentences about what was learned, and each history with its weight before and after."""

    sentences: tuple[str, ...]
    histories: tuple[tuple[str, float, float], ...]
    branch: str


def typed_readings(text: str, noise_mm: float) -> Readings:
    """Readings from lines `x y d`, or `x y before d`, in mm, apart by blanks, commas or semicolons.

    Raises
    ------
    InputError : a line that is none, fewer than two readings, too many.
    """
    rows: list[list[float]] = []
    lines: list[int] = []
    for number, line in enumerate(text.splitlines(), 1):
        words = line.replace(",", " ").replace(";", " ").split()
        if not words:
            continue
        try:
            row = [float(word) for word in words]
        except ValueError:
            row = []
        if len(row) not in (3, 4) or not all(map(math.isfinite, row)) or (
                rows and len(row) != len(rows[0])):
            raise InputError(f"line {number} of the readings: {line[:40]!r}",
                             "x y d, or in every line x y before d: place and deviations in mm",
                             key="text")
        rows.append(row)
        lines.append(number)
    if not 2 <= len(rows) <= MOST_READINGS:
        raise InputError(f"{len(rows)} readings", f"2 to {MOST_READINGS}", key="text")
    return as_readings(rows, noise_mm, lines)


def answer(shop: Workshop, text: str, progress: Progress, noise_mm: float | None = None) -> Answer:
    """Weigh the histories by readings after the last step; the work goes on from the best one.

    ``noise_mm``: standard error of a reading; None: that of the case's depths.

    Raises
    ------
    InputError : readings that cannot be read or are of another panel, no step before them, a held
        tool, a dent with one history.
    """
    readings = typed_readings(text, gauge_noise(shop.start.work.case, noise_mm))
    step = shop.session.now.row.step
    if step == 0:
        raise InputError("readings before the first step", "readings after a step: the dent's own "
                         "belong into the case")
    start, folder, histories = _histories(shop, progress)
    lesson = learn_from(histories, step, readings, folder)
    best = max(range(len(histories)), key=lambda k: lesson.histories[k].weight)
    if best:
        one = lesson.histories[best]
        shop.begin(_free_name(shop), list(carried(at_dent(start, one), one, step, progress)))
    notes = learned_notes(start.notes, lesson.histories)
    # The weights of the histories from this node on, its own history first.
    write_json(shop.folder / "learned" / f"{shop.here:04d}.json", notes)
    weighed = zip(histories, lesson.histories, strict=True)
    return Answer(lesson.sentences or ("nothing surprising",),
                  tuple((b.words, b.weight, a.weight) for b, a in weighed), shop.branch)


def counsel(shop: Workshop, progress: Progress) -> tuple[str, ...]:
    """The light taps whose readings would tell the histories apart best, in sentences."""
    start, _, histories = _histories(shop, progress)
    found = advise(histories, start.work.case.noise_mm, progress)
    return tuple(one.sentence() for one in found) or (
        "There is no crown to tap on, or no tip in the kit. Readings after any step distinguish "
        "the histories.",)


def _histories(shop: Workshop, progress: Progress) -> tuple[Start, Path, tuple[History, ...]]:
    """The histories carried through the steps to the present node, and the folder that keeps them.
    """
    path = shop.path(shop.branch)
    if shop.session.state.standing:
        raise InputError("a tool is held", "readings of the free panel: let it down first")
    start = _start_at(shop, path)
    if len(start.notes.get("plausible", [])) < 2:
        raise InputError("this panel's dent has only one history", "a case whose dent leaves "
                         "several (history.method: strike); there is nothing to tell apart")
    # A folder for each lesson: another one at the same node may have the histories in other order.
    count = len(list((shop.folder / "learned").glob(f"{shop.here:04d}-*")))
    folder = shop.folder / "learned" / f"{shop.here:04d}-{count:02d}"
    open_folder(folder, {**identity(start.work.case), "kind": "lesson"})
    for number in path:
        record_step(folder, shop.nodes[number].session)
    return start, folder, histories_of(start, folder, progress)


def _start_at(shop: Workshop, path: list[int]) -> Start:
    """The start with the weights after the last lesson on the way to the present node."""
    root = shop.nodes[path[0]].session
    for number in reversed(path):
        try:
            notes = json.loads((shop.folder / "learned" / f"{number:04d}.json").read_text("utf-8"))
            if all(isinstance(one["words"], str) for one in notes["plausible"]):
                return replace(shop.start, notes=notes, session=root)
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return replace(shop.start, session=root)


def _free_name(shop: Workshop) -> str:
    """A name for the branch of another history."""
    count = 1
    while f"as read {count}" in shop.branches:
        count += 1
    return f"as read {count}"
