"""The dents of the blind test: 40 of known history, in sheets not quite as declared.

Two halves: every second dent of the list calibrates, the others test. The list goes by body and
panel, and was fixed before any of the later twenty was computed. All dents are invented.

The truth differs from what the reconstruction believes in mesh (even elements of 5.5 mm),
increments (two thirds of those of the reconstruction) and sheet: thickness, yield stress and
hardening are each off by a draw from the dent's own seed, with the standard errors below, clipped
at twice these.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from simkit.history.strike import SETTINGS as STRIKING
from simkit.inspection.sampling import make_sampling, point_on, probe_at
from simkit.material.forming import TABLE_POINTS
from simkit.material.grades import load_grade
from simkit.material.hardening import Backstress, Sheet, TableLaw, geometric_strains
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.model import Model, State, build_model
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.repair.operations import PULLING
from simkit.repair.operations import SETTINGS as TAPPING
from simkit.tool.bodies import RigidBody, ball, blade, block, flat_nose, rounded_cylinder
from simkit.tool.catalogue import find_glue, find_tab, find_tip

HALF_MM, TRUE_ELEMENT_MM = 120.0, 5.5
THICKNESS_PCT, YIELD_PCT, HARDENING_PCT = 2.5, 4.0, 6.0
"""Declared standard errors of the true sheet about the nominal one. Mill tolerance and scatter of
coils: common practice, no source."""
FINER = 2.0 / 3.0
"""True increments over those of the reconstruction."""
GLUE = {"name": "made up, never lets go", "tension_MPa": 50.0, "tension_energy_N_per_mm": 900.0,
        "shear_energy_N_per_mm": 900.0}
BRINK_SHARE = 0.8
"""Share of the travel to which a pull is planned if the sheet would spring before half way: just
before that travel, one per cent of thickness decides between two answers."""
CROWN_MM, FURTHEST_MM = 0.06, 30.0
"""Crowns below this are not tapped; no tool travels further."""
Place = tuple[float, float]
Planned = tuple[Place, Place, float, float]


@dataclass(frozen=True)
class Way:
    """Increments of blows, taps and pulls."""

    strike: AdvanceSettings = STRIKING
    tap: AdvanceSettings = TAPPING
    pull: AdvanceSettings = PULLING


def _finer(one: AdvanceSettings) -> AdvanceSettings:
    return replace(one, first_mm=FINER * one.first_mm, largest_mm=FINER * one.largest_mm)


USUAL = Way()
TRUE = Way(_finer(STRIKING), _finer(TAPPING), _finer(PULLING))


@dataclass(frozen=True)
class Hit:
    """One true blow: body, travel from first touch (mm), place, turn and tilt (degrees)."""

    body: RigidBody
    travel_mm: float
    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0
    tilt_deg: float = 0.0


@dataclass(frozen=True)
class Dent:
    """A dent of known history; radii of the panel in mm (0: flat)."""

    name: str
    hits: tuple[Hit, ...]
    grade: str = "DC04"
    thickness_mm: float = 0.75
    radius_x_mm: float = 0.0
    radius_y_mm: float = 0.0
    tapped: bool = False
    about: str = field(default="")


STEEL_CURVED = {"radius_x_mm": 1500.0, "radius_y_mm": 700.0}
ALU = {"grade": "AA6016-T4", "thickness_mm": 1.0}
DENTS = (
    Dent("ball-5-flat", (Hit(ball(5.0), 4.0),)),
    Dent("ball-15-flat", (Hit(ball(15.0), 5.0),)),
    Dent("ball-40-flat", (Hit(ball(40.0), 6.0),)),
    Dent("ball-80-double", (Hit(ball(80.0), 8.0),), **STEEL_CURVED),
    Dent("ball-25-double", (Hit(ball(25.0), 7.0),), **STEEL_CURVED),
    Dent("ball-25-single", (Hit(ball(25.0), 6.0),), radius_x_mm=900.0),
    Dent("ball-20-off-centre", (Hit(ball(20.0), 6.0, 35.0, -22.0),), **STEEL_CURVED),
    Dent("ball-20-alu", (Hit(ball(20.0), 6.0),), **ALU, **STEEL_CURVED),
    Dent("ball-60-alu-flat", (Hit(ball(60.0), 7.0),), **ALU),
    Dent("cylinder-15", (Hit(rounded_cylinder(15.0, 80.0), 5.0, 0.0, 0.0, 30.0),),
         **STEEL_CURVED),
    Dent("cylinder-40-alu", (Hit(rounded_cylinder(40.0, 140.0), 6.0, -10.0, 5.0, -20.0),),
         **ALU, radius_x_mm=1200.0),
    Dent("edge-4", (Hit(blade(4.0, 60.0), 4.0, 0.0, 0.0, 60.0),)),
    Dent("edge-8-tilted", (Hit(blade(8.0, 70.0), 5.0, 5.0, 0.0, 15.0, 6.0),), **STEEL_CURVED),
    Dent("block-30", (Hit(block(40.0, 24.0, 4.0), 5.0, 0.0, 0.0, 20.0),), **STEEL_CURVED),
    Dent("block-tilted-alu", (Hit(block(40.0, 40.0, 5.0), 6.0, 0.0, 0.0, 0.0, 5.0),), **ALU),
    Dent("disc-20", (Hit(flat_nose(20.0, 3.0), 5.0, -15.0, 10.0),), radius_x_mm=900.0),
    Dent("two-balls", (Hit(ball(20.0), 5.0, -18.0, 0.0), Hit(ball(20.0), 5.0, 20.0, 8.0)),
         **STEEL_CURVED),
    Dent("ball-and-edge", (Hit(ball(25.0), 6.0), Hit(blade(5.0, 40.0), 3.0, 24.0, 10.0, 45.0)),
         **STEEL_CURVED),
    Dent("ball-25-tapped", (Hit(ball(25.0), 7.0),), **STEEL_CURVED, tapped=True),
    Dent("cylinder-20-tapped", (Hit(rounded_cylinder(20.0, 70.0), 5.0, 0.0, 0.0, 0.0),),
         **ALU, tapped=True),
    Dent("ball-10-double", (Hit(ball(10.0), 4.0, 12.0, 8.0),), thickness_mm=0.7, **STEEL_CURVED),
    Dent("ball-30-tight", (Hit(ball(30.0), 5.0, -20.0, 0.0),), radius_x_mm=800.0,
         radius_y_mm=500.0),
    Dent("ball-50-double", (Hit(ball(50.0), 7.0, 10.0, -15.0),), thickness_mm=0.8, **STEEL_CURVED),
    Dent("ball-18-tight", (Hit(ball(18.0), 5.0, 25.0, 20.0),), radius_x_mm=600.0,
         radius_y_mm=1200.0),
    Dent("ball-35-single-alu", (Hit(ball(35.0), 5.0),), **ALU, radius_y_mm=800.0),
    Dent("ball-15-tight-alu", (Hit(ball(15.0), 5.0, 0.0, -25.0),), **ALU, radius_x_mm=900.0,
         radius_y_mm=600.0),
    Dent("ball-22-thin", (Hit(ball(22.0), 6.0, -5.0, 10.0),), thickness_mm=0.65, **STEEL_CURVED),
    Dent("ball-28-thick-alu", (Hit(ball(28.0), 6.0, 15.0, 0.0),), grade="AA6016-T4",
         thickness_mm=1.15, **STEEL_CURVED),
    Dent("cylinder-10-cross", (Hit(rounded_cylinder(10.0, 60.0), 4.0, 0.0, 10.0, 80.0),),
         **STEEL_CURVED),
    Dent("cylinder-25-tight", (Hit(rounded_cylinder(25.0, 90.0), 5.0, 5.0, -5.0, 10.0),),
         radius_x_mm=900.0, radius_y_mm=600.0),
    Dent("cylinder-18-alu", (Hit(rounded_cylinder(18.0, 70.0), 5.0, -10.0, 0.0, 45.0),), **ALU,
         **STEEL_CURVED),
    Dent("cylinder-30-short", (Hit(rounded_cylinder(30.0, 90.0), 6.0, 0.0, 0.0, -60.0),),
         thickness_mm=0.7, **STEEL_CURVED),
    Dent("edge-6-cross", (Hit(blade(6.0, 50.0), 4.0, 0.0, 0.0, 90.0),), **STEEL_CURVED),
    Dent("edge-5-alu", (Hit(blade(5.0, 60.0), 4.0, -8.0, 12.0, -30.0),), **ALU, **STEEL_CURVED),
    Dent("block-24-tight", (Hit(block(24.0, 24.0, 4.0), 5.0, 10.0, 5.0, 30.0),),
         radius_x_mm=800.0, radius_y_mm=600.0),
    Dent("disc-14-alu", (Hit(flat_nose(14.0, 3.0), 5.0, 8.0, -8.0),), **ALU, **STEEL_CURVED),
    Dent("two-balls-near", (Hit(ball(15.0), 5.0, -12.0, 6.0), Hit(ball(25.0), 4.5, 14.0, -4.0)),
         **STEEL_CURVED),
    Dent("two-balls-alu", (Hit(ball(20.0), 5.5, 0.0, -20.0), Hit(ball(20.0), 5.0, 6.0, 18.0)),
         **ALU, **STEEL_CURVED),
    Dent("ball-18-tapped", (Hit(ball(18.0), 6.0, 10.0, 0.0),), **STEEL_CURVED, tapped=True),
    Dent("cylinder-15-tapped", (Hit(rounded_cylinder(15.0, 60.0), 5.0, 0.0, 5.0, 20.0),),
         **STEEL_CURVED, tapped=True),
)


def hash_of(name: str) -> int:
    """A number from a name, the same on every run."""
    return sum((k + 1) * ord(c) for k, c in enumerate(name))


def grid_xy() -> np.ndarray:
    """Places (n, 2) at which a tap may be read, from the middle of a dent, mm."""
    side = np.linspace(-0.35 * HALF_MM, 0.35 * HALF_MM, 13)
    return np.column_stack([a.ravel() for a in np.meshgrid(side, side)])


def half_of(dent: Dent) -> str:
    """Every second dent calibrates the bands of the others."""
    return ("calibration", "test")[[d.name for d in DENTS].index(dent.name) % 2]


def off_by(dent: Dent) -> tuple[float, float, float]:
    """Factors of the dent's true thickness, yield stress and hardening."""
    draw = np.clip(np.random.default_rng([hash_of(dent.name), 20]).standard_normal(3), -2.0, 2.0)
    spread = 0.01 * np.array([THICKNESS_PCT, YIELD_PCT, HARDENING_PCT])
    return tuple(float(f) for f in 1.0 + spread * draw)


def true_sheet(sheet: Sheet, of_yield: float, of_hardening: float) -> Sheet:
    """The sheet with its yield stress, and what hardens beyond it, times a factor each."""
    p = geometric_strains(2.0e-5, max(0.6, sheet.strain_range), TABLE_POINTS)
    flow = sheet.hardening.stress(p)
    return replace(
        sheet, hardening=TableLaw(p, of_yield * flow[0] + of_hardening * (flow - flow[0])),
        backstress=tuple(Backstress(of_hardening * term.modulus_MPa, term.recovery)
                         for term in sheet.backstress))


def true_panel(dent: Dent) -> Model:
    """The panel with even elements, in its true sheet."""
    side = (-HALF_MM, HALF_MM)
    curvature = Curvature(dent.radius_x_mm or np.inf, dent.radius_y_mm or np.inf)
    patch = rectangle_patch(side, side, curvature, TRUE_ELEMENT_MM, TRUE_ELEMENT_MM)
    thickness, of_yield, of_hardening = off_by(dent)
    sheet = true_sheet(load_grade(dent.grade).sheet(), of_yield, of_hardening)
    return build_model(patch, sheet, thickness * dent.thickness_mm, dict.fromkeys(SIDES, HELD), 5)


def press(model: Model, state: State, body: RigidBody, x: float, y: float, travel: float,
          settings: AdvanceSettings, angle_deg: float = 0.0, tilt_deg: float = 0.0,
          goal_mm: float | None = None) -> Advance:
    """Press a body in from outside by a travel, or to a goal, and release."""
    place, normal = point_on(model, state, x, y)
    angle = np.radians(angle_deg)
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    direction = -normal + np.tan(np.radians(tilt_deg)) * np.cross(normal, along)
    tool = set_tip(model, state, body, place, direction / np.linalg.norm(direction), travel, along)
    return _done(advance(model, state, Load(tool, travel, probe=probe_at(model, x, y),
                                            goal_mm=goal_mm), settings))


def _done(result: Advance) -> Advance:
    if not result.outcome.valid:
        raise RuntimeError(result.reason)
    return result


def tap(model: Model, state: State, place: Place, travel: float,
        goal_mm: float | None = None, way: Way = USUAL) -> Advance:
    """Tap the crown down."""
    return press(model, state, find_tip("ball-12").body, *place, travel, way.tap, goal_mm=goal_mm)


def pull(model: Model, state: State, place: Place, travel: float,
         goal_mm: float | None = None, way: Way = USUAL) -> Advance:
    """Pull the middle out."""
    at, normal = point_on(model, state, *place)
    tool = glue_tab(model, state, find_tab("round-30"), find_glue(GLUE), at, normal)
    return _done(advance(model, state, Load(tool, travel, probe=probe_at(model, *place),
                                            goal_mm=goal_mm), way.pull))


def true_dent(dent: Dent) -> tuple[Model, State]:
    """The panel after its true history."""
    model = true_panel(dent)
    state = model.virgin()
    for hit in dent.hits:
        state = press(model, state, hit.body, hit.x_mm, hit.y_mm, hit.travel_mm, TRUE.strike,
                      hit.angle_deg, hit.tilt_deg).state
    if dent.tapped:
        crown, _ = places(model, state)
        state = tap(model, state, crown, 1.5, way=TRUE).state
    return model, state


def places(model: Model, state: State) -> tuple[Place, Place]:
    """The crown and the lowest place, away from the edges; of crowns alike within 0.01 mm the one
    nearest to the lowest place, then the one to the right, then above."""
    inner = 0.8 * HALF_MM
    d = make_sampling(model.patch, (-inner, inner, -inner, inner), 3.0).field(state)
    x, y = (a.ravel() for a in np.meshgrid(d.x_mm, d.y_mm))
    k = int(np.argmin(np.round(d.d_mm.ravel(), 3) + 1e-6 * np.hypot(x, y)))
    low = (float(x[k]), float(y[k]))
    far = np.round(np.hypot(x - low[0], y - low[1]))
    high = np.lexsort((-y, -x, far, -np.round(d.d_mm.ravel(), 2)))[0]
    return (float(x[high]), float(y[high])), low


def plan(model: Model, state: State) -> tuple[Planned, float]:
    """Where to tap and to pull, and by what travel (0: no crown to tap); and the travel at which
    the pull would spring (0: not)."""
    crown, middle = places(model, state)
    height = probe_at(model, *crown).read(state.displacement)
    tapped = 0.0
    if height >= CROWN_MM:
        tapped = tap(model, state, crown, FURTHEST_MM, 0.4 * height, TRUE).travel_mm
    travel, springs = half_way(model, state, middle, TRUE)
    return (crown, middle, tapped, BRINK_SHARE * travel if springs else travel), springs


def half_way(model: Model, state: State, middle: Place, way: Way = USUAL) -> tuple[float, float]:
    """Travel of a pull of the middle to half way, mm, and the travel after which the released sheet
    would spring before that, mm; 0 if it does not spring."""
    depth = probe_at(model, *middle).read(state.displacement)
    done = pull(model, state, middle, FURTHEST_MM, 0.5 * depth, way)
    return done.travel_mm, done.travel_mm if done.outcome is Outcome.WOULD_SNAP else 0.0
