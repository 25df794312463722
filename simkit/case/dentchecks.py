"""Checks of the block `dent`: one source, places on the panel, no contradictions."""

from __future__ import annotations

from collections.abc import Iterator

from simkit.case.blows import ENDS, SIZES, GivenBlow
from simkit.case.dent import CreaseLine, Dent, HeightPlace, History, Place, Shape
from simkit.case.panel import Panel
from simkit.case.plan import bounds_text, on_panel, plan_bounds
from simkit.case.reading import Complaint, KeyPath

READINGS = ("points_csv", "sections_csv", "outlines")
ALONE = ("grid_csv", "scan", "shapes", "blows")


def dent_checks(dent: Dent, history: History | None, panel: Panel | None) -> Iterator[Complaint]:
    """All checks of the block; ``panel`` only with its size."""
    yield from _sources(dent)
    if dent.natural and dent.shapes is None:
        yield Complaint(("dent", "natural"), "without shapes",
                        "only described shapes are made natural: readings are what they are")
    if dent.natural and history is not None and history.method == "imprint":
        yield Complaint(("dent", "natural"), "beside history.method imprint",
                        "an imprint stretches the sheet into any shape: method strike")
    yield from _blows(dent, history)
    if panel is None:
        return
    x0, x1, y0, y1 = plan_bounds(panel)
    room = max(x1 - x0, y1 - y0)
    for place in _drawn(dent):
        at = _at(dent, place)
        if not on_panel(panel, at.x_mm, at.y_mm):
            yield Complaint(("dent", *place), f"({at.x_mm:g}, {at.y_mm:g}) lies off the panel",
                            bounds_text(panel))
    known = history.blows if history is not None else None
    for block, blows in (("dent", dent.blows), ("history", known)):
        for index, blow in enumerate(blows or ()):
            if not on_panel(panel, blow.x_mm, blow.y_mm):
                yield Complaint((block, "blows", index),
                                f"({blow.x_mm:g}, {blow.y_mm:g}) lies off the panel",
                                bounds_text(panel))
    for index, shape in enumerate(dent.shapes or ()):
        yield from _shape_on_panel(shape, ("dent", "shapes", index), panel, room)


def _shape_on_panel(shape: Shape, path: KeyPath, panel: Panel, room: float) -> Iterator[Complaint]:
    """A shape may extend beyond the edge of the panel, but its centre must lie on the panel."""
    middles = shape.line if isinstance(shape, CreaseLine) else (shape,)
    for at in middles:
        if not on_panel(panel, at.x_mm, at.y_mm):
            what = "place" if isinstance(shape, CreaseLine) else "centre"
            yield Complaint(path, f"{what} ({at.x_mm:g}, {at.y_mm:g}) lies off the panel",
                            bounds_text(panel))
            break
    sizes = [key for key in ("length_mm", "width_mm", "reach_mm") if hasattr(shape, key)]
    key = max(sizes, key=lambda name: float(getattr(shape, name)))
    if getattr(shape, key) > room:
        yield Complaint((*path, key), f"{getattr(shape, key):g} mm is longer than the panel",
                        f"expected at most {room:g} mm")


def _sources(dent: Dent) -> Iterator[Complaint]:
    """One source of the depth field, or several kinds of readings that are combined."""
    readings = [key for key in READINGS if getattr(dent, key) is not None]
    alone = [key for key in ALONE if getattr(dent, key) is not None]
    if not readings and not alone:
        yield Complaint(("dent",), "no depth field",
                        "give points_csv, sections_csv, grid_csv, scan, shapes or blows; or "
                        "leave 'dent' out")
    # All readings together count as one source.
    given = [*readings[:1], *alone]
    for key in given[1:]:
        yield Complaint(("dent", key), f"second source beside '{given[0]}'",
                        "expected readings (" + ", ".join(READINGS) + ") or exactly one of "
                        + ", ".join(ALONE))
    if readings == ["outlines"]:
        yield Complaint(("dent", "outlines"), "outlines without readings",
                        "outlines go beside points_csv or sections_csv")
    if (dent.sections_csv is None) != (dent.sections is None):
        has, lacks = (("sections", "sections_csv") if dent.sections_csv is None
                      else ("sections_csv", "sections"))
        yield Complaint(("dent", has), f"no '{lacks}' beside it",
                        "sections need their readings (sections_csv) and their lines (sections)")


def _drawn(dent: Dent) -> Iterator[KeyPath]:
    """Paths of all places that lines on the panel run through."""
    for key in ("sections", "outlines"):
        for i, part in enumerate(getattr(dent, key) or ()):
            yield from ((key, i, "line", k) for k in range(len(part.line)))


def _at(dent: Dent, path: KeyPath) -> Place | HeightPlace:
    key, i, _, k = path
    return getattr(dent, str(key))[i].line[k]


def _blows(dent: Dent, history: History | None) -> Iterator[Complaint]:
    """Every blow has exactly one of depth, travel and energy, and the sizes of its body."""
    alone = all(getattr(dent, key) is None for key in (*READINGS, *ALONE) if key != "blows")
    if dent.blows and alone and history is not None and history.model_fields_set:
        yield Complaint(("history",), "beside dent.blows",
                        "the blows are the history: leave this block out")
    yield from _how_far(dent.blows, ("dent", "blows"))
    known = None if history is None else history.blows
    yield from _how_far(known, ("history", "blows"))
    for index, blow in enumerate(known or ()):
        if blow.energy_J is not None:
            yield Complaint(("history", "blows", index, "energy_J"),
                            "a blow known roughly, given by its energy",
                            "the search sets its travel right: give depth_mm as read, or travel_mm")
    if history is not None and known and history.search == "depth":
        yield Complaint(("history", "blows"), "beside history.search depth",
                        "blows that are known roughly are set right by their travel")
    if history is not None and known and history.method == "imprint":
        yield Complaint(("history", "blows"), "beside history.method imprint",
                        "an imprint knows no blows: method strike")


def _how_far(blows: tuple[GivenBlow, ...] | None, block: KeyPath) -> Iterator[Complaint]:
    for index, blow in enumerate(blows or ()):
        path: KeyPath = (*block, index)
        given = [key for key in ENDS if getattr(blow, key) is not None]
        if not given:
            yield Complaint(path, "a blow that does not say how far it goes",
                            "give one of " + ", ".join(ENDS))
        for key in given[1:]:
            yield Complaint((*path, key), f"second end beside '{given[0]}'",
                            "expected exactly one of " + ", ".join(ENDS))
        yield from _body(blow, path)


def _body(blow: GivenBlow, path: KeyPath) -> Iterator[Complaint]:
    for key in ("length_mm", "width_mm"):
        value, needed = getattr(blow, key), key in SIZES[blow.body]
        if value is None and needed:
            yield Complaint((*path, key), "key missing", f"body {blow.body} needs it")
        elif value is not None and not needed:
            yield Complaint((*path, key), f"does not go with body {blow.body}", "leave it out")
        # At 2 the flat core of the body would have no length (`simkit.tool.bodies`).
        elif value is not None and value < 2.1 * blow.radius_mm:
            yield Complaint((*path, key), f"{value:g} found",
                            f"expected at least {2.1 * blow.radius_mm:g} mm, 2.1 times the radius "
                            "that rounds it")
