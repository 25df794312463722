"""Orders of work on a struck bowl, on a sector, compared with an independent code.

A ball strikes a cap and is withdrawn. Then the bowl is pulled by a dead force that is even over a
disc in its middle, and a rigid frictionless torus presses the crown down, all round at once, to a
stated depth below the undamaged outer face: after the pull, before it, or while it is held. Held,
the force is constant (following) or the heights of the disc are kept (locked).

On the sector of 6 degrees the torus is a cylinder across it: the two differ by 0.14 % of the
ring's radius. Reference: axisymmetric solids of a general-purpose code, made by
benchmarks/crown_sequences_peer.py and stored in data/reference_fe/crown_sequences.csv.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.contact.engagement import DeadForce
from simkit.mechanics.contact.holding import Hold
from simkit.mechanics.contact.reading import Reading
from simkit.mechanics.loads import AreaLoad
from simkit.mechanics.model import Model, State
from simkit.mechanics.points import sheet_points
from simkit.mechanics.standing import Standing
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.holding import hold, let_down
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load, Probe
from simkit.shell.springs import SpringSet
from simkit.tool.bodies import ball, rounded_cylinder
from simkit.verification.problems.check import Check, Status, Truth
from simkit.verification.problems.plates import within
from simkit.verification.problems.sector_fe import (
    DATA,
    SECTOR_DEG,
    THICKNESS_MM,
    BallCase,
    profile,
    sector,
)

Array = NDArray[np.float64]
DOWN = np.array([0.0, 0.0, -1.0])
SEQUENCES = ("pull", "ring, pull", "held, ring", "locked, ring")
RING_MM = 0.1
"""Largest increment of the ring."""
JUMP_MM = 3.0
"""A snap of the middle is larger than this."""
LOCK_MPA_PER_MM = 1.0e3
"""Springs that keep the disc's heights: 0.16 um of travel for 100 N over the disc."""


@dataclass(frozen=True)
class Bowl:
    """A blow on a cap and the tools that work it, mm.

    Attributes
    ----------
    blow : cap, ball and travel.
    ring_mm : radius of the ring of the torus's lowest points.
    below_mm : how far these come below the undamaged outer face.
    torus_mm : radius of the torus's section.
    disc_mm : radius of the pulled disc.
    """

    blow: BallCase
    ring_mm: float
    below_mm: float
    torus_mm: float = 12.0
    disc_mm: float = 15.0

    @property
    def face_mm(self) -> float:
        """Height of the undamaged outer face at the ring."""
        outer = self.blow.dome_mm + 0.5 * THICKNESS_MM
        return float(np.sqrt(outer**2 - self.ring_mm**2) - self.blow.dome_mm)


WIDE = Bowl(BallCase("R 1000 mm", 150.0, 25.0, 15.0, 1000.0), 113.5, 0.5)
STEEP = Bowl(BallCase("R 500 mm", 150.0, 25.0, 15.0, 500.0), 85.0, 1.0)
PULLS_N = {WIDE.blow.name: (150.0, 250.0), STEEP.blow.name: (600.0,)}
"""Forces of the pulls. On elements of 2.5 mm the wide bowl comes out by itself between 300 and
305 N under a pull alone, and between 180 and 190 N when the ring presses while it is held."""


@dataclass(frozen=True)
class RisingForce(DeadForce):
    """Fixed nodal forces times the travel."""

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """See :class:`~simkit.mechanics.contact.engagement.Engagement`."""
        return super().add(model, x, own, 1.0 - travel, force, data, tangent)


@dataclass(frozen=True)
class Stage:
    """The bowl after a stage of a sequence: heights of centre and crown, mm, along the normal of
    the undamaged surface; "snapped" with the place of the ring, or nothing."""

    name: str
    centre_mm: float
    crown_mm: float
    snapped: str = ""


class Worked:
    """A struck bowl on a sector."""

    def __init__(self, bowl: Bowl, element_mm: float) -> None:
        self.bowl = bowl
        self.model = sector(bowl.blow.radius_mm, bowl.blow.curvature, element_mm)
        row = self.model.patch.evaluation(np.zeros(1), np.zeros(1)).tocsr()
        self.middle = Probe(row.indices, -np.multiply.outer(row.data, DOWN))
        self.touch_mm = 0.0
        self.struck = self._strike()

    def _strike(self) -> Advance:
        blow, start = self.bowl.blow, self.model.virgin()
        tip = set_tip(self.model, start, ball(blow.ball_mm), np.zeros(3), DOWN, blow.travel_mm)
        return self._found(advance(self.model, start, Load(tip, blow.travel_mm),
                                   AdvanceSettings(first_mm=0.1, largest_mm=0.25)))

    def press_ring(self, state: State) -> Advance:
        """Press the torus down to its depth and withdraw it."""
        bowl = self.bowl
        body = rounded_cylinder(bowl.torus_mm, 2.0 * bowl.torus_mm + 40.0)
        tip = set_tip(self.model, state, body, np.array([bowl.ring_mm, 0.0, 0.0]), DOWN, 5.0,
                      along=np.array([0.0, 1.0, 0.0]))
        self.touch_mm = float(tip.contact.start[2]) - bowl.torus_mm - bowl.face_mm
        load = Load(tip, self.touch_mm + bowl.below_mm, watched=(self.middle,))
        return self._found(advance(self.model, state, load,
                                   AdvanceSettings(first_mm=0.05, largest_mm=RING_MM)))

    def pull(self, state: State, force_N: float) -> Advance:
        """Raise the force over the disc (whole circle) and leave it standing."""
        load = AreaLoad(-DOWN, within(self.bowl.disc_mm))
        nodal = load.on(self.model).nodal
        nodal *= force_N * SECTOR_DEG / 360.0 / nodal[:, 2].sum()
        return self._found(hold(self.model, state, Load(RisingForce(nodal), 1.0),
                                Hold("pull", 0.0, 0.0, self.bowl.disc_mm),
                                AdvanceSettings(first_mm=0.05, largest_mm=0.1)))

    def lock(self, state: State) -> State:
        """The state with the standing force replaced by springs that keep the disc's heights and
        begin with the same force, even over the disc."""
        held, model = state.standing[0], self.model
        points = sheet_points(model.patch, np.arange(model.geometry.elements), 4)
        points = points.select(np.hypot(*points.place[:, :2].T) < self.bowl.disc_mm)
        here = model.patch.control + state.displacement
        upward = np.multiply.outer(DOWN, DOWN)
        bed = SpringSet(points.element, points.shape,
                        (LOCK_MPA_PER_MM * points.area)[:, None, None] * upward,
                        np.zeros_like(points.place), points.normal)
        even = float(held.nodal[:, 2].sum() / points.area.sum()) / LOCK_MPA_PER_MM
        rest = bed.places_of(here, model.element_points) - even * DOWN
        locked = Standing(held.name, np.zeros_like(held.nodal), 0.0, 0.0, held.radius_mm, "locked",
                          bed.moved(rest))
        return replace(state, standing=(locked,))

    def let_down(self, state: State) -> Advance:
        """Reduce the pull to zero."""
        return self._found(let_down(self.model, state, None, AdvanceSettings()))

    def stage(self, name: str, done: Advance) -> Stage:
        """Heights at the end of an operation."""
        _, dev = profile(self.model, done.state, self.bowl.blow)
        return Stage(name, float(dev[0]), float(dev.max()), self._snap(done))

    def _snap(self, done: Advance) -> str:
        if not done.snapped:
            return ""
        middle = np.array([point.watched_mm[0] for point in done.path if point.watched_mm])
        if middle.size < 2 or np.ptp(middle) < JUMP_MM:
            return "snapped"
        k = int(np.argmax(np.abs(np.diff(middle))))
        place = self.touch_mm - done.path[k + 1].travel_mm
        return f"snapped with the ring at {place:+.3f} mm from the undamaged face"

    def follow(self, sequence: str, force_N: float) -> Iterator[Stage]:
        """The stages of one of :data:`SEQUENCES`, from the struck bowl on."""
        yield self.stage("struck", self.struck)
        state = self.struck.state
        if sequence == "ring, pull":
            done = self.press_ring(state)
            yield self.stage("ring", done)
            state = done.state
        done = self.pull(state, force_N)
        yield self.stage("pulled", done)
        state = done.state
        if sequence in ("held, ring", "locked, ring"):
            done = self.press_ring(self.lock(state) if sequence.startswith("locked") else state)
            yield self.stage("ring", done)
            state = done.state
        yield self.stage("free", self.let_down(state))

    @staticmethod
    def _found(done: Advance) -> Advance:
        if not done.outcome.valid:
            raise ArithmeticError(f"{done.outcome.value}: {done.reason}")
        return done


SOURCE = ("axisymmetric solids of a general-purpose FE code, own decks "
          "(data/reference_fe/crown_sequences.csv)")
LIMIT_PCT = 2.0
"""Limit of the manual for residual depths; here also for every other stage, of the bowl's depth."""


def reference_rows() -> list[dict[str, str]]:
    """The stored rows of the other code: bowl, force, sequence, stage, heights."""
    with open(DATA / "crown_sequences.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def crown_sequences(element_mm: float = 2.5) -> list[Check]:
    """The bowl's centre after every stage that the other code computed, of the bowl's depth."""
    checks, rows = [], reference_rows()
    for bowl in (WIDE, STEEP):
        worked, name = Worked(bowl, element_mm), bowl.blow.name
        for force_N in PULLS_N[name]:
            for sequence in SEQUENCES:
                wanted = {row["stage"]: float(row["centre_mm"]) for row in rows
                          if row["centre_mm"] and name == row["bowl"]
                          and (force_N, sequence) == (float(row["force_N"]), row["sequence"])}
                if "free" not in wanted:
                    continue
                checks += [Check(f"{name}, {force_N:g} N, {sequence}", f"centre {stage.name}, mm",
                                 wanted[stage.name], stage.centre_mm, LIMIT_PCT, Truth.OTHER_CODE,
                                 SOURCE, Status.RECOMPUTED, abs(wanted["struck"]))
                           for stage in worked.follow(sequence, force_N)]
    return checks
