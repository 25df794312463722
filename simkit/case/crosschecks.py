"""Checks that need more than one key: does the case make sense as a whole?

Every check takes the blocks that are valid by themselves; a block that is not is None.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from simkit.case.dent import Dent, History
from simkit.case.dentchecks import dent_checks
from simkit.case.improbable import goal_checks, holding_checks
from simkit.case.model import Mesh
from simkit.case.names import KnownNames
from simkit.case.panel import Panel
from simkit.case.plan import bounds_text, has_size, on_panel, plan_bounds
from simkit.case.reading import Complaint, KeyPath
from simkit.case.repair import Goal, Kit, Limits, OwnStrategy
from simkit.case.rigs import rig_checks
from simkit.case.tools import RoundTab
from simkit.errors import one_of

EDGE_SIDES = {"left": "radius_x_mm", "right": "radius_x_mm",
              "bottom": "radius_y_mm", "top": "radius_y_mm"}


@dataclass(frozen=True)
class Blocks:
    """The blocks of a case that are valid by themselves."""

    panel: Panel | None = None
    mesh: Mesh | None = None
    dent: Dent | None = None
    history: History | None = None
    kit: Kit | None = None
    limits: Limits | None = None
    goal: Goal | None = None
    strategies: tuple[str, ...] = ()
    own_strategies: tuple[OwnStrategy, ...] = ()


def tab_fits(panel: Panel, length_mm: float, width_mm: float) -> str | None:
    """None if a tab fits on the panel, its length along the longer side; else the fault."""
    x0, x1, y0, y1 = plan_bounds(panel)
    # A tab may be turned, so its long side is compared with the long side of the panel.
    narrow, wide = sorted((x1 - x0, y1 - y0))
    for size, room in ((length_mm, wide), (width_mm, narrow)):
        if size >= room:
            return f"{size:g} mm tab is larger than the panel ({room:g} mm)"
    return None


def cross_checks(blocks: Blocks, known: KnownNames) -> Iterator[Complaint]:
    """All checks for which the blocks they need are valid."""
    panel = blocks.panel
    if panel is not None:
        yield from _outline(panel)
        yield from _curvature(panel)
        yield from _edges(panel)
        yield from _bonded(panel)
        yield from _openings(panel, blocks.kit)
        yield from _names("grade", (panel.grade,), ("panel", "grade"), known.grades, False)
    sized = panel if panel is not None and has_size(panel) else None
    if sized is not None:
        yield from _places(sized)
        yield from holding_checks(sized, blocks.limits)
    if blocks.goal is not None:
        yield from goal_checks(blocks.goal, blocks.dent, sized)
    if blocks.mesh is not None:
        yield from _mesh(blocks.mesh)
    if blocks.dent is not None:
        yield from dent_checks(blocks.dent, blocks.history, sized)
    if blocks.history is not None:
        yield from _striker(blocks.history)
    if blocks.kit is not None:
        yield from _kit(blocks.kit, sized, known)
    own = [strategy.name for strategy in blocks.own_strategies]
    yield from _own_strategies(own, known.strategies or ())
    yield from _names("strategy", blocks.strategies, ("strategies",),
                      None if known.strategies is None else (*known.strategies, *own))


def _outline(panel: Panel) -> Iterator[Complaint]:
    disc = panel.outline == "disc"
    sizes = {True: ("radius_mm",), False: ("length_x_mm", "length_y_mm")}
    holds = {True: "edge", False: "edges"}
    # Keys of the other outline are refused, not ignored.
    needed, stray = sizes[disc], (*sizes[not disc], holds[not disc])
    for key in needed:
        if getattr(panel, key) is None:
            yield Complaint(("panel", key), "key missing", f"outline {panel.outline} needs it")
    instead = {"edges": "use 'edge' for the rim",
               "edge": "use 'edges' with left, right, bottom, top"}
    for key in stray:
        if key in panel.model_fields_set:
            yield Complaint(("panel", key), f"does not go with outline {panel.outline}",
                            instead.get(key, "give " + " and ".join(needed) + " instead"))
    if disc and panel.origin == "corner":
        yield Complaint(("panel", "origin"), "'corner' found",
                        "a disc has its origin at the centre")


def _curvature(panel: Panel) -> Iterator[Complaint]:
    if (panel.heights_csv is None) == (panel.surface == "measured"):
        yield Complaint(("panel", "heights_csv"),
                        "key missing" if panel.heights_csv is None else
                        f"does not go with surface {panel.surface}",
                        "surface measured needs it, and only that")
    given = [key for key in ("radius_x_mm", "radius_y_mm") if getattr(panel, key) is not None]
    if panel.surface == "curved" and not given:
        yield Complaint(("panel", "surface"), "curved without a radius",
                        "give radius_x_mm, radius_y_mm or both")
    if panel.surface != "curved":
        for key in given:
            yield Complaint(("panel", key), f"does not go with surface {panel.surface}",
                            "write 'surface: curved' or leave the radius out")
        return
    if not has_size(panel):
        return
    x0, x1, y0, y1 = plan_bounds(panel)
    # A circular section z = -(R - sqrt(R^2 - x^2)) exists only for |x| < R.
    reach = {"radius_x_mm": max(-x0, x1), "radius_y_mm": max(-y0, y1)}
    for key in given:
        if getattr(panel, key) <= reach[key]:
            yield Complaint(("panel", key), f"{getattr(panel, key):g} found",
                            f"expected more than {reach[key]:g} mm, or the section turns vertical "
                            "before the panel ends")


def _edges(panel: Panel) -> Iterator[Complaint]:
    """A plane of symmetry must meet the surface at a right angle.

    A curved panel has zero slope only at its apex, which is at the origin.
    """
    for side, radius in EDGE_SIDES.items():
        curved = getattr(panel, radius) is not None or panel.surface == "measured"
        at_origin = panel.origin == "corner" and side in ("left", "bottom")
        at_origin = at_origin and panel.surface != "measured"
        if getattr(panel.edges, side) == "symmetric" and curved and not at_origin:
            yield Complaint(("panel", "edges", side), "symmetric where the panel slopes",
                            "a mirror plane needs level sheet: 'origin: corner' and left or "
                            "bottom")


def _openings(panel: Panel, kit: Kit | None) -> Iterator[Complaint]:
    """Openings and rods without effect; obstacles that end before they begin."""
    behind = panel.behind
    if behind.openings and behind.reach == "all":
        yield Complaint(("panel", "behind", "openings"), "openings, and tools reach everywhere",
                        "reach: none, or the rectangles a hand reaches")
    if kit is not None and bool(kit.rods) != bool(behind.openings):
        path: KeyPath = ("kit", "rods") if kit.rods else ("panel", "behind", "openings")
        yield Complaint(path, "rods without an opening" if kit.rods else "openings without a rod",
                        "both, or neither: panel.behind.openings and kit.rods")
    for index, one in enumerate(behind.obstacles):
        if one.from_mm >= one.to_mm:
            yield Complaint(("panel", "behind", "obstacles", index, "to_mm"),
                            f"{one.to_mm:g} mm, and it begins at {one.from_mm:g} mm",
                            "a depth beyond from_mm")


def _bonded(panel: Panel) -> Iterator[Complaint]:
    for index, bed in enumerate(panel.supports):
        if bed.bonded and bed.gap_mm > 0.0:
            yield Complaint(("panel", "supports", index, "gap_mm"),
                            f"gap of {bed.gap_mm:g} mm on a bonded support",
                            "a bonded support touches: 0, or 'bonded: false'")


def _places(panel: Panel) -> Iterator[Complaint]:
    for index, bed in enumerate(panel.supports):
        if not on_panel(panel, bed.x_mm, bed.y_mm):
            yield Complaint(("panel", "supports", index),
                            f"centre ({bed.x_mm:g}, {bed.y_mm:g}) lies off the panel",
                            bounds_text(panel))


def _mesh(mesh: Mesh) -> Iterator[Complaint]:
    if mesh.fine_mm > mesh.coarse_mm:
        yield Complaint(("mesh", "fine_mm"), f"{mesh.fine_mm:g} found",
                        f"expected at most coarse_mm, {mesh.coarse_mm:g} mm")
    if mesh.bulk_mm is not None and not 2.0 * mesh.fine_mm <= mesh.bulk_mm <= mesh.coarse_mm:
        yield Complaint(("mesh", "bulk_mm"), f"{mesh.bulk_mm:g} found",
                        f"expected {2.0 * mesh.fine_mm:g} (twice fine_mm) to "
                        f"{mesh.coarse_mm:g} mm (coarse_mm), or no bulk_mm")


def _striker(history: History) -> Iterator[Complaint]:
    low, high = history.striker.radius_min_mm, history.striker.radius_max_mm
    if low > high:
        yield Complaint(("history", "striker", "radius_min_mm"), f"{low:g} found",
                        f"expected at most radius_max_mm, {high:g} mm")


def _kit(kit: Kit, panel: Panel | None, known: KnownNames) -> Iterator[Complaint]:
    yield from _names("tab", _called(kit.tabs), ("kit", "tabs"), known.tabs)
    yield from _names("tip", _called(kit.tips), ("kit", "tips"), known.tips)
    if isinstance(kit.glue, str):
        yield from _names("glue", (kit.glue,), ("kit", "glue"), known.glues, False)
    yield from _lifters(kit)
    yield from rig_checks(kit)
    for index, tip in enumerate(kit.tips):
        if not isinstance(tip, str) and (tip.facing_mm is None) != (tip.facing_MPa is None):
            lone = "facing_mm" if tip.facing_MPa is None else "facing_MPa"
            yield Complaint(("kit", "tips", index, lone), "half a facing",
                            "a soft facing has facing_mm and facing_MPa, a hard tip neither")
    for index, tab in enumerate(kit.tabs):
        if panel is None or isinstance(tab, str):
            continue
        key = "diameter_mm" if isinstance(tab, RoundTab) else "length_mm"
        size = getattr(tab, key)
        fault = tab_fits(panel, size, getattr(tab, "width_mm", size))
        if fault is not None:
            yield Complaint(("kit", "tabs", index, key), fault, "is the unit right?")


def _lifters(kit: Kit) -> Iterator[Complaint]:
    """Lifters with unique names and feet that do not overlap."""
    names = [lifter.name for lifter in kit.lifters]
    for index, lifter in enumerate(kit.lifters):
        if lifter.name in names[:index]:
            yield Complaint(("kit", "lifters", index, "name"), f"second lifter '{lifter.name}'",
                            "a name of its own")
        for key in ("span_mm", "width_mm"):
            size = getattr(lifter, key)
            if size and size <= lifter.pad_mm:
                yield Complaint(("kit", "lifters", index, key), f"{size:g} found",
                                f"expected more than a pad, {lifter.pad_mm:g} mm"
                                + ("; or 0: one foot at each end" if key == "width_mm" else ""))


def _called(tools: Sequence[object]) -> list[str | tuple[str]]:
    """Names of tools; the name of an own description is in a tuple, so that it is not looked up in
    the catalogue."""
    return [tool if isinstance(tool, str) else (str(getattr(tool, "name", "")),) for tool in tools]


def _names(sort: str, names: Sequence[str | tuple[str]], path: KeyPath,
           known: Sequence[str] | None, listed: bool = True) -> Iterator[Complaint]:
    """Every name is known (if there is a catalogue) and occurs once."""
    seen: set[str] = set()
    for index, entry in enumerate(names):
        name = entry if isinstance(entry, str) else entry[0]
        here = (*path, index) if listed else path
        if isinstance(entry, str) and known is not None and name not in known:
            yield Complaint(here, f"no {sort} '{name}'", one_of(name, known))
        elif name in seen:
            yield Complaint(here, f"'{name}' given twice", "name each once")
        seen.add(name)


def _own_strategies(own: Sequence[str], built_in: Sequence[str]) -> Iterator[Complaint]:
    for index, name in enumerate(own):
        if name in built_in:
            yield Complaint(("own_strategies", index, "name"), f"'{name}' is built in",
                            "another name")
        elif name in own[:index]:
            yield Complaint(("own_strategies", index, "name"), f"'{name}' given twice",
                            "name each once")
