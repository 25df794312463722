"""Checks that need more than one key."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sound_case import broken, line_of

from simkit.case import load_case
from simkit.errors import InputErrors

Write = Callable[[str], Path]
DISC = "  outline: disc\n  radius_mm: 150\n"
SIZE = "  length_x_mm: 600\n  length_y_mm: 400\n"

WRONG = {
    # name: (old, new, words that mark the line, key, part of the message)
    "rectangle without length": (
        "  length_x_mm: 600\n", "", "panel:", "panel.length_x_mm", "outline rectangle needs it"),
    "radius on a rectangle": (
        SIZE, SIZE + "  radius_mm: 100\n", "radius_mm: 100", "panel.radius_mm",
        "does not go with outline rectangle"),
    "one edge on a rectangle": (
        SIZE, SIZE + "  edge: free\n", "edge: free", "panel.edge", "use 'edges'"),
    "curved without radius": (
        "  radius_x_mm: 1200\n", "", "surface", "panel.surface", "give radius_x_mm"),
    "flat with radius": (
        "surface: curved", "surface: flat", "radius_x_mm", "panel.radius_x_mm",
        "write 'surface: curved'"),
    "radius smaller than the panel": (
        "radius_x_mm: 1200", "radius_x_mm: 299", "radius_x_mm", "panel.radius_x_mm",
        "expected more than 300 mm"),
    "mirror plane on a slope": (
        "    top: free", "    right: symmetric", "right", "panel.edges.right",
        "a mirror plane needs level sheet"),
    "support off the panel": (
        "x_mm: 0, y_mm: 90", "x_mm: 0, y_mm: 201", "name: beam", "panel.supports[0]",
        "y from -200 to 200 mm"),
    "bonded with a gap": (
        "y_mm: 90,", "y_mm: 90, bonded: true, gap_mm: 1,", "name: beam",
        "panel.supports[0].gap_mm", "a bonded support touches"),
    "fine above coarse": (
        "  fine_mm: 4", "  fine_mm: 20", "fine_mm", "mesh.fine_mm", "at most coarse_mm, 16 mm"),
    "dent outside the panel": (
        "x_mm: 10,", "x_mm: 301,", "kind: bowl", "dent.shapes[0]",
        "centre (301, 0) lies off the panel; expected x from -300 to 300 mm"),
    "dent longer than the panel": (
        "length_mm: 100, width_mm: 80", "length_mm: 700, width_mm: 80", "kind: bowl",
        "dent.shapes[0].length_mm", "longer than the panel"),
    "two sources": (
        "  shapes:", "  points_csv: case.yaml\n  shapes:", "shapes", "dent.shapes",
        "second source beside 'points_csv'"),
    "blows beside shapes": (
        "dent:\n", "dent:\n  blows: [{body: ball, radius_mm: 9, x_mm: 0, y_mm: 0, depth_mm: 1}]\n",
        "blows", "dent.blows", "second source beside 'shapes'"),
    "striker bounds": (
        "  method: strike", "  striker: {radius_min_mm: 90}", "radius_min",
        "history.striker.radius_min_mm", "at most radius_max_mm, 80 mm"),
    "tab twice": (
        "name: big", "name: round-30", "tabs", "kit.tabs[1]", "given twice"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_together(name: str, write: Write) -> None:
    old, new, marks, key, part = WRONG[name]
    text = broken(old, new)
    file = write(text)
    with pytest.raises(InputErrors) as caught:
        load_case(file)
    errors = caught.value.errors
    assert len(errors) == 1, [str(error) for error in errors]
    assert str(errors[0]).startswith(f"{file}:{line_of(text, marks)}: {key}: ")
    assert part in str(errors[0])


BLOW = "{body: ball, radius_mm: 9, x_mm: 0, y_mm: 0, depth_mm: 1}"
WRONG_BLOWS = {
    # name: (block of the blow, rest of the case, key, part of the message)
    "no end": ("{body: ball, radius_mm: 9, x_mm: 0, y_mm: 0}", "", "dent.blows[0]",
               "give one of depth_mm, travel_mm, energy_J"),
    "two ends": (BLOW[:-1] + ", energy_J: 2}", "", "dent.blows[0].energy_J",
                 "second end beside 'depth_mm'"),
    "off the panel": (BLOW.replace("x_mm: 0", "x_mm: 301"), "", "dent.blows[0]",
                      "(301, 0) lies off the panel"),
    "cylinder without length": (BLOW.replace("ball", "cylinder"), "", "dent.blows[0].length_mm",
                                "body cylinder needs it"),
    "disc without diameter": (BLOW.replace("ball", "disc"), "", "dent.blows[0].width_mm",
                              "body disc needs it"),
    "ball with length": (BLOW[:-1] + ", length_mm: 50}", "", "dent.blows[0].length_mm",
                         "does not go with body ball"),
    "block too small for its rim": (
        BLOW.replace("ball", "block")[:-1] + ", length_mm: 50, width_mm: 18}", "",
        "dent.blows[0].width_mm", "at least 18.9 mm"),
    "history beside blows": (BLOW, "history: {method: imprint}\n", "history",
                             "the blows are the history"),
}


@pytest.mark.parametrize("name", WRONG_BLOWS)
def test_wrong_blow(name: str, write: Write) -> None:
    blow, rest, key, part = WRONG_BLOWS[name]
    start, end = broken("  method: strike\n", ""), "history:\n"
    text = start.replace(end, rest)
    text = text[:text.index("  shapes:")] + f"  blows: [{blow}]\n" + text[
        text.index(rest + "kit:"):]
    file = write(text)
    with pytest.raises(InputErrors) as caught:
        load_case(file)
    errors = caught.value.errors
    assert len(errors) == 1, [str(error) for error in errors]
    assert f": {key}: " in str(errors[0])
    assert part in str(errors[0])


BARE = """\
format: 1
title: Bare
about: Invented for the tests.
panel:
{panel}  thickness_mm: 0.8
  grade: GRADE
"""


def errors_of(write: Write, panel: str, rest: str = "") -> list[str]:
    try:
        load_case(write(BARE.format(panel=panel) + rest))
    except InputErrors as errors:
        return [f"{error.key}: {error.what}; {error.expected}" for error in errors.errors]
    return []


def test_disc_is_accepted(write: Write) -> None:
    assert errors_of(write, DISC + "  edge: hinged\n") == []


def test_disc_needs_its_radius(write: Write) -> None:
    assert errors_of(write, "  outline: disc\n") == [
        "panel.radius_mm: key missing; outline disc needs it"]


def test_disc_has_one_edge_and_no_lengths(write: Write) -> None:
    found = errors_of(write, DISC + "  length_x_mm: 100\n  edges: {left: free}\n")
    assert [text.split(":")[0] for text in found] == ["panel.length_x_mm", "panel.edges"]


def test_disc_has_no_mirror_plane(write: Write) -> None:
    found = errors_of(write, DISC + "  edge: symmetric\n")
    assert found == ["panel.edge: 'symmetric' found; expected one of held, hinged, free"]


def test_disc_has_no_corner(write: Write) -> None:
    found = errors_of(write, DISC + "  origin: corner\n")
    assert [text.split(":")[0] for text in found] == ["panel.origin"]


def test_dent_off_a_disc_but_within_its_square(write: Write) -> None:
    shape = "{kind: bowl, x_mm: 120, y_mm: 120, depth_mm: 1, length_mm: 20, width_mm: 20}"
    found = errors_of(write, DISC, f"dent: {{shapes: [{shape}]}}\n")
    assert found == ["dent.shapes[0]: centre (120, 120) lies off the panel; "
                     "expected within 150 mm of the centre"]


def test_quarter_model_with_its_apex_in_the_corner(write: Write) -> None:
    quarter = ("  origin: corner\n  surface: curved\n  length_x_mm: 300\n  length_y_mm: 300\n"
               "  radius_x_mm: 400\n  radius_y_mm: 400\n"
               "  edges: {left: symmetric, bottom: symmetric}\n")
    assert errors_of(write, quarter) == []
    centred = errors_of(write, quarter.replace("  origin: corner\n", ""))
    assert [text.split(":")[0] for text in centred] == ["panel.edges.left", "panel.edges.bottom"]


def test_tab_larger_than_the_panel(write: Write) -> None:
    small = "  length_x_mm: 60\n  length_y_mm: 80\n"
    tab = "kit: {{tabs: [{{name: wide, diameter_mm: {} }}]}}\n"
    assert errors_of(write, small, tab.format(59.9)) == []
    assert errors_of(write, small, tab.format(60)) == [
        "kit.tabs[0].diameter_mm: 60 mm tab is larger than the panel (60 mm); is the unit right?"]


def test_dent_block_without_a_source(write: Write) -> None:
    found = errors_of(write, "  length_x_mm: 200\n  length_y_mm: 200\n", "dent: {noise_mm: 0.02}\n")
    assert found == [
        "dent: no depth field; give points_csv, sections_csv, grid_csv, scan, shapes or blows; or "
        "leave 'dent' out"]


def test_lifters_stand_on_feet_of_their_own(write: Write) -> None:
    lifters = ("kit: {lifters: [{name: a, span_mm: 60, pad_mm: 20, width_mm: 10}, "
               "{name: a, span_mm: 20, pad_mm: 20}]}\n")
    assert errors_of(write, "  length_x_mm: 200\n  length_y_mm: 200\n", lifters) == [
        "kit.lifters[0].width_mm: 10 found; expected more than a pad, 20 mm; or 0: one foot at "
        "each end", "kit.lifters[1].name: second lifter 'a'; a name of its own",
        "kit.lifters[1].span_mm: 20 found; expected more than a pad, 20 mm"]


def test_half_a_facing(write: Write) -> None:
    tips = "kit: {tips: [{name: soft, kind: ball, radius_mm: 12, facing_mm: 4}]}\n"
    assert errors_of(write, "  length_x_mm: 200\n  length_y_mm: 200\n", tips) == [
        "kit.tips[0].facing_mm: half a facing; a soft facing has facing_mm and facing_MPa, a hard "
        "tip neither"]
