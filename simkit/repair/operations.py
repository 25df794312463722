"""Operations on the panel: pull, tap-down, push, each ending released; hold and let-down."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.errors import InputError
from simkit.inspection.sampling import point_on, probe_at
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.contact.holding import Hold
from simkit.mechanics.model import State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.holding import hold, let_down
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.repair.access import need_way
from simkit.repair.hammers import blow_on, check_blow
from simkit.repair.held import check_hold, free_name, names_held, refuse_covered
from simkit.repair.passes import Place, Spread, check_chosen, touch_by_touch
from simkit.repair.rigging import check_rig, pick, places_of, set_tabs
from simkit.repair.wedging import set_wedge, wedge_of
from simkit.repair.workpiece import Workpiece
from simkit.solve.nonlinear.newton import NewtonSettings

KINDS = ("pull", "tap-down", "push", "hold", "let-down")
SETTINGS = AdvanceSettings(first_mm=0.1, largest_mm=0.25, goal_tolerance_mm=0.01,
                           energy_error_pct=0.95)
"""The net work of an operation is a small difference of the work put in and given back, so the
increments must be small for an energy error below 1 %."""
PULLING = replace(SETTINGS, largest_mm=0.5,
                  passing=NewtonSettings(force_tolerance=3e-3, work_tolerance=3e-4))
"""A glued tab carries load from the beginning and over all of its area, so larger increments are
possible: 0.5 mm changes the result of a pull by 0.5 % (docs/performance/one-pull.md)."""
DRAWN_APART = replace(PULLING, first_mm=0.02, largest_mm=0.1)
"""Along the sheet two tabs are far stiffer than away from it."""
FINEST_MM = 0.001
"""Smallest tolerance of an operation's goal."""
SEARCH_MM = 0.6
"""Largest increment of a search without energy balance; it changes the result by 1 %."""
SEARCHED = 300
"""Largest number of Newton iterations of one operation in a search: three times those of a main
lift."""


@dataclass(frozen=True)
class Operation:
    """One operation.

    Attributes
    ----------
    kind : pull (tab, outwards), tap-down (tip from outside, inwards), push (tip from behind,
        outwards), hold (a pull or push whose force stays), let-down (end of a hold).
    tool : name of a tab (pull, hold) or tip (others) of the kit; for a let-down the name of the
        held tool, or empty for all.
    x_mm, y_mm : place in the x, y plane.
    goal_mm : required deviation of the place after release; the tool stops when this is predicted.
        For a hold: deviation under its force.
    angle_deg : direction of a long tool's length in the x, y plane.
    force_N : for a hold: its force, at any height; for others: end at this force if the goal is not
        reached before.
    energy_mJ : for a tap-down, push or pull (slide hammer): end when the blow has done this work
        (1 mJ = 1 N mm); travel_mm : for a tap-down or push: end at this travel; both if the goal
        is not reached before.
    lifter : for a pull or hold by a tab: lifter of the kit that pulls it, its beam along the angle;
        empty: pulled from a distance. beam, spreader : for the same: beam of the kit over a row of
        such tabs, or spreader between two, along the angle, its middle at the place. glue : for the
        same: name of another glue than the kit's.
    hammer, speed_m_s, drop_mm : for a tap-down, push or pull: a blow by a hammer of the kit, by its
        speed at impact or its free fall from rest; the sheet alone stops it, not the goal.
    spread : for a tap-down or push: a pass of touches along a line or over an area. further : for
        the same: a pass at chosen places, the further touches after the one at x_mm, y_mm, each
        (x_mm, y_mm, goal_mm).
    way, stiffness_N_per_mm : for a hold: see :mod:`simkit.mechanics.standing`.
    everything_off : the goal is for the panel after all holds are let down.
    may_snap : True if a place that snaps past its goal counts as having reached it.
    """

    kind: str
    tool: str
    x_mm: float
    y_mm: float
    goal_mm: float = 0.0
    angle_deg: float = 0.0
    force_N: float | None = None
    way: str = "following"
    stiffness_N_per_mm: float = 0.0
    everything_off: bool = False
    may_snap: bool = False
    energy_mJ: float | None = None
    travel_mm: float | None = None
    spread: Spread | None = None
    lifter: str = ""
    glue: str = ""
    beam: str = ""
    spreader: str = ""
    hammer: str = ""
    speed_m_s: float | None = None
    drop_mm: float | None = None
    further: tuple[Place, ...] = ()

    @property
    def is_pass(self) -> bool:
        """Whether it consists of several touches."""
        return self.spread is not None or bool(self.further)

    def places(self) -> list[Place]:
        """Places of its touches in their order, with the height of each, mm."""
        if self.spread is not None:
            return [(x, y, self.goal_mm)
                    for x, y in self.spread.places(self.x_mm, self.y_mm, self.angle_deg)]
        return [(self.x_mm, self.y_mm, self.goal_mm), *self.further]


def apply_operation(work: Workpiece, state: State, operation: Operation,
                    settings: AdvanceSettings | None = None, quick: bool = False) -> Advance:
    """Compute one operation on a state; the result contains the new state.

    ``settings``: by default those of the kind. ``quick``: for searches, take the predicted release
    and compute no energy balance (0.6 of the time; the result differs by 4 %).

    Raises
    ------
    InputError : unknown kind or tool, no access from behind, tool off the panel or where another
        one is held, nothing to let down.
    """
    if operation.kind == "let-down":
        return let_down(work.model, state, names_held(state, operation.tool), settings or PULLING)
    if operation.kind not in KINDS:
        raise InputError(f"operation '{operation.kind}'", "one of " + ", ".join(KINDS), key="kind")
    glued = any(tab.name == operation.tool for tab in work.tabs)
    _check_strength(operation)
    check_rig(operation, by_tip=operation.kind in ("tap-down", "push") or (
        operation.kind == "hold" and not glued))
    check_blow(operation)
    wedge = wedge_of(work.case, operation.tool)
    if wedge is not None:
        wedged = set_wedge(work, state, wedge, operation)
        return wedged.told(_single(work, state, operation, settings, quick))
    if operation.is_pass:
        return _pass(work, state, operation, settings, quick)
    return _single(work, state, operation, settings, quick)


def _single(work: Workpiece, state: State, operation: Operation,
            settings: AdvanceSettings | None, quick: bool) -> Advance:
    """One operation that is no pass and no let-down."""
    glued = any(tab.name == operation.tool for tab in work.tabs)
    pulls = operation.kind == "pull" or (operation.kind == "hold" and glued)
    if operation.kind == "tap-down" or pulls:
        for place in places_of(work.case, operation):
            refuse_covered(state, *place)
    usual = (DRAWN_APART if operation.spreader else PULLING) if pulls else SETTINGS
    if quick:
        usual = replace(usual, release_steps=0, energy_error_pct=np.inf,
                        largest_mm=max(SEARCH_MM, usual.largest_mm), most_iterations=SEARCHED)
    if operation.kind == "hold":
        how = check_hold(operation, glued)
        if glued:
            tab = pick(work.tabs, operation.tool, "tab")
            how = _covering(how, 0.5 * max(tab.length_mm, tab.width_mm),
                            places_of(work.case, operation))
        load = _load(work, state, replace(
            operation, kind="pull" if glued else "push", force_N=None))
        if operation.force_N is None and behind_already("push", load, state):
            return _nothing_done(state, operation, load)
        return hold(work.model, state, _held_load(load, operation),
                    replace(how, name=free_name(state, how.name)), settings or usual)
    load = _load(work, state, operation)
    # with everything_off the present height says nothing about the goal
    later = bool(state.standing) and operation.everything_off
    if not later and behind_already(operation.kind, load, state):
        return _nothing_done(state, operation, load)
    if operation.hammer:
        blow = blow_on(work, state, operation)
        spent = replace(load, goal_mm=None, energy_Nmm=blow.received_mJ)
        return blow.told(advance(work.model, state, spent, settings or usual))
    return advance(work.model, state, load, settings or _as_fine_as(usual, load, state))


def _covering(how: Hold, radius_mm: float, places: list[tuple[float, float]]) -> Hold:
    """A hold with the circles that its tabs cover."""
    if len(places) == 1:
        return replace(how, radius_mm=radius_mm)
    return replace(how, more=tuple((x, y, radius_mm) for x, y in places))


def _nothing_done(state: State, operation: Operation, load: Load) -> Advance:
    """The result of an operation whose place is beyond its goal already."""
    assert load.probe is not None
    here = load.probe.read(state.displacement)
    reason = f"lies at {here:+.2f} mm, beyond {operation.goal_mm:+.2f} mm already"
    return Advance(state, Outcome.ALREADY_PAST, reason, (), touches=0)


def _check_strength(op: Operation) -> None:
    """Raise InputError for a limit or a pass that this kind of operation does not have."""
    tip = op.kind in ("tap-down", "push")
    for key in ("energy_mJ", "travel_mm", "spread"):
        blow = key == "energy_mJ" and op.kind == "pull"
        if getattr(op, key) is not None and not (tip or blow):
            raise InputError(f"{op.kind} with {key}", "a tap-down or a push", key=key)
    if op.further and (not tip or op.spread is not None):
        raise InputError(f"{op.kind} at several places" + (" and over an area" if tip else ""),
                         "a tap-down or a push, at places or over an area", key="and")
    check_chosen(op.further)
    if op.glue and tip:
        raise InputError(f"{op.kind} with glue", "a pull, or a hold by a tab", key="glue")
    for key in ("force_N", "energy_mJ", "travel_mm"):
        value = getattr(op, key)
        if value is not None and op.kind != "hold" and not 0.0 < value < np.inf:
            raise InputError(f"{op.kind} with {key} {value:g}", "a positive number", key=key)


def _pass(work: Workpiece, state: State, operation: Operation,
          settings: AdvanceSettings | None, quick: bool) -> Advance:
    """A pass, touch by touch; raises InputError before the first if any place cannot be worked."""
    places = operation.places()

    def at(place: Place) -> Operation:
        x, y, goal = place
        return replace(operation, x_mm=x, y_mm=y, goal_mm=goal, spread=None, further=())

    for place in dict.fromkeys(places):
        _load(work, state, at(place))
    return touch_by_touch(state, places, lambda now, place: apply_operation(
        work, now, at(place), settings, quick))


def behind_already(kind: str, load: Load, state: State) -> bool:
    """Whether a place is beyond the goal, so that the operation would move it farther away."""
    if load.probe is None or load.goal_mm is None:
        return False
    inwards = kind == "tap-down"
    here = load.probe.read(state.displacement)
    return here < load.goal_mm if inwards else here > load.goal_mm


def _as_fine_as(usual: AdvanceSettings, load: Load, state: State) -> AdvanceSettings:
    """Settings with a goal tolerance of 10 % of the distance to the goal, within limits.

    Fine work changes the height by less than the usual tolerance, which would end it at once.
    """
    if load.probe is None or load.goal_mm is None:
        return usual
    way = abs(load.goal_mm - load.probe.read(state.displacement))
    return replace(usual, goal_tolerance_mm=float(
        np.clip(0.1 * way, FINEST_MM, usual.goal_tolerance_mm)))


def _held_load(load: Load, op: Operation) -> Load:
    """A load that ends at a force or at a height under load, not at a height after release."""
    height = op.goal_mm if op.force_N is None else None
    force = load.force_N if op.force_N is None else min(load.force_N, op.force_N)
    return replace(load, goal_mm=None, height_mm=height, force_N=force)


def _load(work: Workpiece, state: State, op: Operation) -> Load:
    limits = work.case.limits
    place, normal = point_on(work.model, state, op.x_mm, op.y_mm)
    probe = probe_at(work.model, op.x_mm, op.y_mm)
    angle = np.radians(op.angle_deg)
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    strength = np.inf if op.force_N is None else op.force_N
    if op.kind == "pull":
        tool = set_tabs(work, state, op, pick(work.tabs, op.tool, "tab"))
        return Load(tool, limits.travel_mm, min(limits.pull_force_N, strength),
                    limits.paint_strain, probe, op.goal_mm, op.everything_off, op.may_snap,
                    energy_Nmm=np.inf if op.energy_mJ is None else op.energy_mJ)
    travel = min(limits.travel_mm, np.inf if op.travel_mm is None else op.travel_mm)
    direction = normal if op.kind == "push" else -normal
    wedge = wedge_of(work.case, op.tool)
    if wedge is not None:
        travel = min(travel, set_wedge(work, state, wedge, op).rise_mm)
        strength = min(strength, wedge.lifts_N)
        body, facing = wedge.body(), None
    else:
        if op.kind == "push":
            strength = min(strength, need_way(work.case, op.x_mm, op.y_mm).force_N)
        tip = pick(work.tips, op.tool, "tip")
        body, facing = tip.body, tip.facing_MPa_per_mm
    contact = set_tip(work.model, state, body, place, direction, limits.travel_mm, along,
                      facing_MPa_per_mm=facing)
    return Load(contact, travel, min(limits.push_force_N, strength), limits.paint_strain, probe,
                op.goal_mm, op.everything_off, op.may_snap,
                energy_Nmm=np.inf if op.energy_mJ is None else op.energy_mJ)
