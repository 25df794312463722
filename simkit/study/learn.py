"""Readings after a step of a run change the posterior weights of its dent's histories."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from simkit.dent.points import GaugePoints
from simkit.errors import InputError
from simkit.files import write_json, write_table
from simkit.history.learning import AS_FORETOLD, Learned, Usual, learn, telling_places
from simkit.inspection.spots import SampledField
from simkit.panel.surface import Window
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.study.doubt import SEEN, opened_members
from simkit.study.readings import Readings
from simkit.study.run import Start
from simkit.tool.times import operation_minutes

Array = NDArray[np.float64]
Progress = Callable[[str], None]
COLUMNS = ("step", "operation", "x_mm", "y_mm",
           *(f"{name}{end}" for name in SEEN for end in ("_before", "_learned")))
LIGHT_TAP_LEFT_SHARE = 0.4
"""Share of the crown's height that a light tap leaves."""
TAP_DIRECTIONS = 4
"""Directions from the low in which a tap on the crown is tried for advice."""
GRID_LINES = 24
SHEET_ERRORS = 2.0
"""Standard errors by which the sheet is changed to find its effect on the readings."""
REST = Usual(1.0, 0.15)
"""Prior of a step's strength if the sheet's uncertainty is counted separately; a judgement."""


@dataclass(frozen=True)
class History:
    """A plausible history with the repair done so far on it."""

    words: str
    weight: float
    session: Session


@dataclass(frozen=True)
class Lesson:
    """Result of readings after a step of a run."""

    learned: Learned
    histories: tuple[History, ...]
    sentences: tuple[str, ...]
    table: Path | None


def histories_of(start: Start, folder: Path, progress: Progress, workers: int = 1
                 ) -> tuple[History, ...]:
    """Every plausible history with the recorded steps carried out on it.

    Raises
    ------
    InputError : there is only one history.
    """
    members = start.notes.get("plausible", [])
    found = tuple(History(words, weight, session) for words, weight, session in
                  opened_members(start, folder, progress, workers))
    if len(found) < 2:
        raise InputError(
            "this run's dent has only one plausible history" if members else
            "this run's dent was not made by a search of histories", "a case with history.method "
            "strike whose depths leave several histories", file=str(folder))
    return found


def learn_from(histories: tuple[History, ...], step: int, readings: Readings, folder: Path
               ) -> Lesson:
    """Weigh the histories by readings after a step; writes learned.json and learned.csv.

    Raises
    ------
    InputError : no such step, a reading off the panel, readings that fit no history.
    """
    found, told = weigh(histories, step, readings)
    points, steps = readings.points, histories[0].session.steps
    table = folder / "learned.csv"
    write_table(table, COLUMNS, [_line(k, histories, found, step) for k in range(len(steps))])
    write_json(folder / "learned.json", {
        "format": 1, "kind": "learned", "step": step, "readings": len(points.d_mm),
        "histories": [{"words": h.words, "before": b, "after": w, "strength": s} for h, b, w, s in
                      zip(histories, found.before, found.weights, found.strength, strict=True)],
        "slips": [int(points.line[k]) for k in found.slips], "sentences": list(told)})
    weighed = tuple(replace(h, weight=w) for h, w in zip(histories, found.weights, strict=True))
    return Lesson(found, weighed, told, table)


def weigh(histories: tuple[History, ...], step: int, readings: Readings,
          sheets: tuple[Session, ...] = ()) -> tuple[Learned, tuple[str, ...]]:
    """Weigh histories by readings of a step; also returns the unexpected results in sentences.

    ``sheets``: the same repair on the first history, in sheets of which one property is changed by
    ``SHEET_ERRORS`` standard errors.

    Raises
    ------
    InputError : no such step, a reading off the panel, readings that fit no history.
    """
    steps, points = histories[0].session.steps, readings.points
    if not 1 <= step < len(steps):
        raise InputError(f"step {step} is not in this run", f"1 to {len(steps) - 1}")
    before = np.array([deviations(h.session.steps[step - 1].field, points) for h in histories])
    after = np.array([deviations(h.session.steps[step].field, points) for h in histories])
    readings.check_before(before, step)
    # difference quotient: change of the step's effect for one standard error of each property
    per_error = [((deviations(one.steps[step].field, points)
                   - deviations(one.steps[step - 1].field, points))
                  - (after - before)[0]) / SHEET_ERRORS for one in sheets]
    standing, change = readings.standing(before), after - before
    found = learn(standing, change, points.d_mm, [h.weight for h in histories],
                  readings.error_mm, REST if sheets else AS_FORETOLD,
                  np.reshape(per_error, (len(sheets), -1)) if sheets else None)
    if found.foreign:
        raise InputError(
            f"these readings are not of this panel after step {step}: {_furthest(points, found)}",
            "readings of the deviation, in mm, taken after that step; another panel's file, "
            "another step, another unit?", file=points.file)
    expected = np.average(standing + change, axis=0, weights=found.weights)
    return found, (*_slips(points, found, expected), *_surprises(histories, found))


def deviations(field: SampledField, points: GaugePoints) -> Array:
    """(n,) deviations of a field at places, mm.

    Raises
    ------
    InputError : a place off the panel.
    """
    x, y = points.xy_mm.T
    outside = ((x < field.x_mm[0]) | (x > field.x_mm[-1])
               | (y < field.y_mm[0]) | (y > field.y_mm[-1]))
    if outside.any():
        k = int(np.flatnonzero(outside)[0])
        raise InputError(f"reading at x {x[k]:g}, y {y[k]:g} mm lies off the panel",
                         "places on the panel", file=points.file, line=int(points.line[k]))
    d = np.where(field.on_panel, field.d_mm, 0.0)
    return np.asarray(RectBivariateSpline(field.x_mm, field.y_mm, d.T, s=0)(x, y, grid=False))


def _furthest(points: GaugePoints, found: Learned) -> str:
    k = int(np.argmax(np.abs(found.off)))
    x, y = points.xy_mm[k]
    return (f"most differ strongly from what every history gives, most of all the one at x {x:g}, "
            f"y {y:g} mm, by {abs(found.off[k]):.0f} standard errors")


def _slips(points: GaugePoints, found: Learned, expected: Array) -> list[str]:
    return [f"line {points.line[k]}: {points.d_mm[k]:+.2f} mm at ({points.xy_mm[k][0]:g}, "
            f"{points.xy_mm[k][1]:g}) where {expected[k]:+.2f} is expected: taken as a wrong "
            "reading and left out; read it again" for k in found.slips]


def _surprises(histories: tuple[History, ...], found: Learned) -> list[str]:
    told = []
    best = int(np.argmax(found.weights))
    if found.weights[best] > 1.5 * found.before[best]:
        told.append(f"now likeliest: {histories[best].words} ({100 * found.before[best]:.0f} % "
                    f"before, {100 * found.weights[best]:.0f} % now)")
    fallen = [h.words for h, b, w in zip(histories, found.before, found.weights, strict=True)
              if w < 0.1 * b]
    if fallen:
        told.append("now improbable: " + "; ".join(fallen))
    strength, error = found.strength[best], found.strength_error[best]
    if abs(strength - 1.0) > max(2.0 * error, 0.15):
        why = ("the striker was sharper than in any history tried, or the panel was repaired before"
               if strength > 1.0 else
               "the sheet or its edges are stiffer, or there is less residual stress")
        told.append(f"the step changed {strength:.2f} times as much as predicted; possible cause: "
                    f"{why}")
    return told


def _line(k: int, histories: tuple[History, ...], found: Learned, step: int) -> dict[str, str]:
    """Row of one step: the expected results with the weights before and after the readings.

    Only the step that was read is scaled by its strength. What a later step has of it was
    calibrated with the sheet treated separately; without that, a light tap's strength makes the
    next prediction worse (docs/learning.md).
    """
    row = histories[0].session.steps[k].row
    line = {"step": str(row.step), "operation": row.operation, "x_mm": f"{row.x_mm:g}",
            "y_mm": f"{row.y_mm:g}"}
    for name in SEEN:
        values = np.array([getattr(h.session.steps[k].row, name) for h in histories])
        scaled = values
        if k == step and name != "released_mm":
            first = np.array([getattr(h.session.steps[step - 1].row, name) for h in histories])
            scaled = first + np.array(found.strength) * (values - first)
        line[f"{name}_before"] = f"{float(values @ np.array(found.before)):.6g}"
        line[f"{name}_learned"] = f"{float(scaled @ np.array(found.weights)):.6g}"
    return line


@dataclass(frozen=True)
class Advice:
    """A light tap that distinguishes the histories, and the places of the readings after it.

    ``certainty``: 0 distinguishes none, 1 distinguishes all (see
    :func:`simkit.history.learning.telling_places`); ``minutes`` of the tap; ``face_strain``: the
    largest plastic strain that it adds to a face, in any history.
    """

    operation: Operation
    places: tuple[tuple[float, float], ...]
    certainty: float
    minutes: float
    face_strain: float

    def sentence(self) -> str:
        """One line for people."""
        at = ", ".join(f"({x:.0f}, {y:.0f})" for x, y in self.places)
        return (f"tap-down {self.operation.tool} at ({self.operation.x_mm:.0f}, "
                f"{self.operation.y_mm:.0f}) to {self.operation.goal_mm:+.2f} mm, read before and "
                f"after it at {at}: distinguishes {100 * self.certainty:.0f} % of the histories; "
                f"{self.minutes:.1f} minutes, adds at most {self.face_strain:.4f} to the strain of "
                "a face")


def advise(histories: tuple[History, ...], noise_mm: float, progress: Progress) -> list[Advice]:
    """Light taps on the crown that distinguish the histories in their present state, the best
    first; empty if there is no crown or the kit has no tip."""
    first = histories[0].session
    ring, work = first.ring, first.work
    if ring is None or not work.tips:
        return []
    found = []
    known = np.flatnonzero(np.isfinite(ring.ring_mm))
    for k in known[np.linspace(0, known.size, TAP_DIRECTIONS, endpoint=False).astype(int)]:
        toward, height = np.radians(ring.angle_deg[k]), float(ring.d_mm[k])
        if height < 3.0 * noise_mm:
            continue
        x = ring.centre_mm[0] + ring.ring_mm[k] * np.cos(toward)
        y = ring.centre_mm[1] + ring.ring_mm[k] * np.sin(toward)
        tap = Operation("tap-down", work.tips[0].name, round(float(x), 1), round(float(y), 1),
                        round(LIGHT_TAP_LEFT_SHARE * height, 3))
        one = _worth(histories, tap, noise_mm)
        if one is not None:
            progress(one.sentence())
            found.append(one)
    return sorted(found, key=lambda one: -one.certainty)


def told_places(pairs: Sequence[tuple[Session, Session]], weights: Sequence[float],
                noise_mm: float) -> tuple[Array, float]:
    """(k, 2) the places where readings after a step distinguish histories best, and how well they
    do (`telling_places`); pairs: each history's repair before and after the step."""
    first = pairs[0][0]
    xy = _grid(first.work.window, first.now.field)
    points = GaugePoints("", xy, np.zeros(len(xy)), np.zeros(len(xy), dtype=np.int64))
    changes = [deviations(after.now.field, points) - deviations(before.now.field, points)
               for before, after in pairs]
    chosen, certainty = telling_places(np.array(changes), weights, noise_mm, xy)
    return xy[chosen], certainty


def _worth(histories: tuple[History, ...], tap: Operation, noise_mm: float) -> Advice | None:
    pairs = [(one.session, one.session.apply(tap)) for one in histories]
    if any(after.state is before.state for before, after in pairs):
        return None
    strain = max(after.now.row.max_face_strain - before.now.row.max_face_strain
                 for before, after in pairs)
    places, certainty = told_places(pairs, [h.weight for h in histories], noise_mm)
    return Advice(tap, tuple((float(x), float(y)) for x, y in places), certainty,
                  operation_minutes("tap_down", False, histories[0].session.work.minutes),
                  max(strain, 0.0))


def _grid(window: Window, field: SampledField) -> Array:
    x = np.linspace(max(window.x_from, field.x_mm[0]), min(window.x_to, field.x_mm[-1]), GRID_LINES)
    y = np.linspace(max(window.y_from, field.y_mm[0]), min(window.y_to, field.y_mm[-1]), GRID_LINES)
    xx, yy = np.meshgrid(x, y)
    return np.column_stack([xx.ravel(), yy.ravel()])


def belief(histories: tuple[History, ...], found: Learned) -> list[str]:
    """Posterior weight of each history before and after the readings, one line each."""
    return [f"{100 * b:3.0f} % -> {100 * w:3.0f} %  {h.words}" for h, b, w in
            zip(histories, found.before, found.weights, strict=True)]
