"""Dents and sequences of pull and taps, for hold_and_tap.py and crown_under_tension.py.

All dents are invented: blows on panels that exist nowhere. Taps are those of a ball of 12 mm on
places of the crown, evenly round the dent, each once, the highest first, down to flush with
everything let go; a place that is no higher than that is left alone.
"""

from __future__ import annotations

import csv
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from simkit.case import load_case
from simkit.files import write_table
from simkit.history.given import strike_given
from simkit.inspection.crown import CrownRing
from simkit.inspection.sampling import probe_at
from simkit.mechanics.contact.attach import glue_tab
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, Load
from simkit.repair.operations import PULLING, Operation
from simkit.repair.session import Session, open_session
from simkit.repair.workpiece import make_workpiece
from simkit.tool.glue import Glue

TAB, TIP = "round-30", "ball-12"
STANDARD = "standard-hot-melt"
NEVER = ("{name: never-lets-go, tension_MPa: 20, shear_MPa: 20, tension_energy_N_per_mm: 100, "
         "shear_energy_N_per_mm: 100}")
"""Glue of a pull whose force alone shall count."""
PLACES = 8
ENOUGH_MM = 0.02
"""A place of the crown that stands no higher above the goal of a tap is left alone."""
FALLS = 0.02
"""Share by which the force must fall for its greatest value to be the dent's own limit."""
CASE = """\
format: 1
title: {title}
about: Invented for this project. A blow on a panel that exists nowhere.
panel: {{{panel}, edges: {{left: held, right: held, bottom: held, top: held}}}}
mesh: {{fine_mm: {fine}, coarse_mm: {coarse}}}
dent: {{blows: [{{{blow}}}]}}
kit:
  tabs: [round-30]
  tips: [ball-12]
  glue: {glue}
limits: {{travel_mm: 80, pull_force_N: 3000}}
"""


@dataclass(frozen=True)
class Dent:
    """A blow on a panel; texts are those of a case file. ``usual_N``: a usual pull, for a dent
    without a limit of its own."""

    name: str
    title: str
    panel: str
    blow: str
    usual_N: float = 0.0

    def session(self, fine_mm: float, glue: str = NEVER) -> Session:
        """The dent, ready to be worked on, on elements of a size, with a glue as in a case.

        Raises
        ------
        ArithmeticError : the blow did not leave what it should.
        """
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "case.yaml"
            file.write_text(CASE.format(
                title=self.title, panel=self.panel, blow=self.blow, fine=fine_mm, glue=glue,
                coarse=max(25.0, 2.5 * fine_mm)), "utf-8")
            case = load_case(file)
        work = make_workpiece(case)
        assert case.dent is not None
        struck = strike_given(work, case.dent.blows or ())
        if struck.faults:
            raise ArithmeticError("; ".join(struck.faults))
        return open_session(work, struck.state)


@dataclass(frozen=True)
class Shape:
    """Heights after a sequence, mm: at the first dent's centre, the highest of the crown's places,
    the largest of all |d|; growth of the plastic area surplus, mm2; largest energy error, per cent;
    whether the sheet snapped; minutes."""

    centre_mm: float
    crown_mm: float
    worst_mm: float
    stretch_mm2: float
    books_pct: float
    snapped: bool
    minutes: float


def ring_of(session: Session) -> CrownRing:
    """The crown of the dent as it was struck."""
    if session.ring is None:
        raise ArithmeticError("the dent has no crown")
    return session.ring


def read(session: Session) -> Shape:
    """The shape after the last step, and what it took."""
    ring, rows = ring_of(session), [step.row for step in session.steps]
    centre = probe_at(session.work.model, *ring.centre_mm).read(session.state.displacement)
    last = rows[-1]
    return Shape(centre, last.crown_mm, max(-last.max_low_mm, last.max_high_mm),
                 last.stretch_mm2 - rows[0].stretch_mm2,
                 max((abs(row.energy_error_pct) for row in rows[1:]), default=0.0),
                 any(row.snapped for row in rows), sum(row.minutes for row in rows))


def own_limit(session: Session) -> float | None:
    """Force at which the dent comes by itself under a tab on its centre, N; None where the force
    only rises. The session's glue must hold."""
    force = np.array([point.force_N for point in _pulled(session, session.work.glue).path])
    return next((float(top) for k, top in enumerate(np.maximum.accumulate(force))
                 if force[k] < (1.0 - FALLS) * top), None)


def _pulled(session: Session, glue: Glue) -> Advance:
    work, (x, y) = session.work, ring_of(session).centre_mm
    x_place = work.model.patch.locate(np.array([x]), np.array([y]))
    row = work.model.patch.evaluation(x_place[0], x_place[1])
    place = (row @ (work.model.patch.control + session.state.displacement))[0]
    normal = work.model.patch.normals(x_place[0], x_place[1])[0]
    tool = glue_tab(work.model, session.state, work.tabs[0], glue, place, normal)
    return advance(work.model, session.state, Load(tool, 80.0, 3000.0),
                   replace(PULLING, largest_mm=1.0, release_steps=0, energy_error_pct=np.inf))


def crown_places(session: Session, count: int) -> list[tuple[float, float]]:
    """Places on the crown, evenly round the dent as it was struck."""
    ring = ring_of(session)
    known = np.flatnonzero(np.isfinite(ring.ring_mm))
    wanted = np.linspace(0.0, 360.0, count, endpoint=False)
    near = [known[np.argmin(np.abs(ring.angle_deg[known] - angle))] for angle in wanted]
    return [(float(ring.centre_mm[0] + ring.ring_mm[k] * np.cos(np.radians(ring.angle_deg[k]))),
             float(ring.centre_mm[1] + ring.ring_mm[k] * np.sin(np.radians(ring.angle_deg[k]))))
            for k in dict.fromkeys(near)]


def tap_crown(session: Session, places: list[tuple[float, float]]) -> Session:
    """Tap each place once, the highest first; a tap may let the middle come out. Heights are those
    with everything let go."""
    left = list(places)
    while left:
        free = session.let_down() if session.state.standing else session
        heights = [probe_at(session.work.model, *at).read(free.state.displacement) for at in left]
        x, y = left.pop(int(np.argmax(heights)))
        if max(heights) > ENOUGH_MM:
            session = session.apply(Operation("tap-down", TIP, round(x, 2), round(y, 2),
                                              everything_off=True, may_snap=True))
    return session


def pull_by_force(session: Session, force_N: float) -> Session:
    """A pull on the centre to a force, released: a hold let down at once."""
    return hold_by_force(session, force_N).let_down()


def hold_by_force(session: Session, force_N: float, way: str = "following",
                  stiffness: float = 0.0) -> Session:
    """A pull on the centre to a force, and stay."""
    return session.hold(TAB, *ring_of(session).centre_mm, force_N, way=way,
                        stiffness_N_per_mm=stiffness)


SEQUENCES = ("pull", "taps, pull", "pull, taps", "held, taps, let down")


def carry_out(sequence: str, session: Session, force_N: float, way: str = "following",
              stiffness: float = 0.0) -> Session:
    """One of :data:`SEQUENCES`; the ways differ in the held one only."""
    places = crown_places(session, PLACES)
    if sequence == "pull":
        return pull_by_force(session, force_N)
    if sequence == "taps, pull":
        return pull_by_force(tap_crown(session, places), force_N)
    if sequence == "pull, taps":
        return tap_crown(pull_by_force(session, force_N), places)
    held = hold_by_force(session, force_N, way, stiffness)
    return tap_crown(held, places).let_down()


def outcome_of(session: Session) -> str:
    """"done", or what went wrong on the way."""
    wrong = [f"step {step.row.step} {step.row.operation}: {step.row.outcome}"
             for step in session.steps[1:]
             if step.row.outcome in (Outcome.NO_CONVERGENCE.value, Outcome.GLUE_LET_GO.value)]
    books = read(session).books_pct
    if books > 1.0:
        wrong.append(f"books miss by {books:.2g} %")
    return "; ".join(wrong) or "done"


STEEL, ALUMINIUM = "thickness_mm: 0.75, grade: DC04", "thickness_mm: 1.0, grade: AA6016-T4"
PLAN = "surface: curved, length_x_mm: 600, length_y_mm: 400, "
DOUBLE = PLAN + "radius_x_mm: 1200, radius_y_mm: 600, "
TIGHT = PLAN + "radius_x_mm: 700, radius_y_mm: 500, "
SINGLE = PLAN + "radius_y_mm: 800, "


def ball_blow(radius_mm: float, depth_mm: float, x_mm: float = 0.0, y_mm: float = 0.0) -> str:
    """A blow of a ball, as a case has it."""
    return (f"body: ball, radius_mm: {radius_mm:g}, x_mm: {x_mm:g}, y_mm: {y_mm:g}, "
            f"depth_mm: {depth_mm:g}")


CREASE = "body: cylinder, radius_mm: 8, length_mm: 80, x_mm: 0, y_mm: 0, depth_mm: 2.5"


class Table:
    """A table that grows row by row on disk, so that a run goes on where it stopped."""

    def __init__(self, file: Path, columns: tuple[str, ...], keys: tuple[str, ...]) -> None:
        self.file, self.columns, self.keys = file, columns, keys
        self.rows: list[dict[str, str]] = []
        if file.exists():
            with file.open(newline="", encoding="utf-8") as stream:
                self.rows = list(csv.DictReader(stream))

    def has(self, **key: str) -> bool:
        """Whether a row of that key is there."""
        return any(all(row[name] == value for name, value in key.items()) for row in self.rows)

    def add(self, **values: object) -> dict[str, str]:
        """Add a row and write the table."""
        row = {name: _cell(values[name]) for name in self.columns}
        self.rows.append(row)
        self.save()
        return row

    def save(self) -> None:
        """Write the table as its rows are now."""
        write_table(self.file, self.columns, self.rows)


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.4g}" if isinstance(value, float) else str(value)
