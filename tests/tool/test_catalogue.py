"""Tabs, tips, glues and minutes by name or described in place."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from simkit.errors import InputError, InputErrors
from simkit.tool.catalogue import (
    STATUSES,
    builtin,
    find_glue,
    find_tab,
    find_tip,
    glue_numbers,
    tool_names,
)
from simkit.tool.cautions import CAUTIONS, cautions_for
from simkit.tool.glue import layer_stiffness
from simkit.tool.page import tools_page
from simkit.tool.times import load_times, operation_minutes

ROOT = Path(__file__).resolve().parents[2]


def test_names_asked_for_are_there():
    names = tool_names()
    assert {f"round-{d}" for d in (16, 20, 25, 30, 40)} <= set(names["tabs"])
    assert {f"ball-{r}" for r in (3, 6, 12, 20)} <= set(names["tips"])
    assert "standard-hot-melt" in names["glues"]


def test_all_entries_can_be_made_and_match_their_names():
    names = tool_names()
    for name in names["tabs"]:
        assert find_tab(name).name == name
    for name in names["tips"]:
        assert find_tip(name).name == name
    for name in names["glues"]:
        assert find_glue(name).name == name
    assert [find_tab(f"round-{d}").length_mm for d in (16, 40)] == [16.0, 40.0]
    assert [find_tip(f"ball-{r}").body.nose_radius_mm for r in (3, 20)] == [3.0, 20.0]


@pytest.mark.parametrize(("spec", "area"), [
    ({"diameter_mm": 20.0}, math.pi * 100.0),
    ({"kind": "oval", "length_mm": 40.0, "width_mm": 20.0}, math.pi * 200.0),
    ({"kind": "strip", "length_mm": 80.0, "width_mm": 15.0}, 1200.0),
    ({"kind": "rounded-rectangle", "length_mm": 60.0, "width_mm": 25.0, "corner_mm": 8.0},
     1500.0 - (4.0 - math.pi) * 64.0),
    ({"kind": "blade", "length_mm": 60.0, "width_mm": 10.0}, 500.0 + 25.0 * math.pi),
])
def test_tab_area_and_footprint(spec, area):
    """Exact: areas of disc, ellipse, rectangles; the footprint covers the same area."""
    tab = find_tab(spec)
    assert tab.area_mm2 == pytest.approx(area)
    side = np.linspace(-45.0, 45.0, 1801)
    x, y = np.meshgrid(side, side)
    cell = (side[1] - side[0]) ** 2
    assert tab.covers(x, y).sum() * cell == pytest.approx(area, rel=0.01)


def test_inline_tab_takes_the_keys_of_a_case_file():
    tab = find_tab({"name": "mine", "kind": "round", "diameter_mm": 22.0})
    assert (tab.name, tab.length_mm, tab.width_mm) == ("mine", 22.0, 22.0)


def test_inline_tips():
    assert find_tip({"radius_mm": 9.0}).body.nose_radius_mm == 9.0
    tip = find_tip({"name": "edge", "kind": "blade", "edge_radius_mm": 2.0, "length_mm": 24.0})
    assert (tip.kind, tip.body.core, tip.body.half_length_mm) == ("blade", "segment", 10.0)


def test_inline_glue_takes_the_standard_for_what_is_absent():
    glue = find_glue({"name": "mine", "tension_MPa": 3.0, "shear_MPa": 1.7, "modulus_MPa": None})
    standard = find_glue("standard-hot-melt")
    assert (glue.tension_MPa, glue.shear_MPa, glue.layer_mm) == (3.0, 1.7, standard.layer_mm)
    share = glue.tension_energy_N_per_mm / standard.tension_energy_N_per_mm
    assert share == pytest.approx(1.5)


def test_glue_from_readings_of_a_spring_scale():
    """Exact: force over area; at a right angle the work per area is force over width."""
    pulls = [{"kind": "pull", "diameter_mm": 10.0, "force_N": f} for f in (140.0, 160.0)]
    glue = find_glue({"name": "mine", "readings": (
        *pulls, {"kind": "peel", "width_mm": 20.0, "force_N": 30.0},
        {"kind": "shear", "diameter_mm": 10.0, "force_N": 50.0})})
    area = 25.0 * math.pi
    assert (glue.tension_MPa, glue.shear_MPa) == pytest.approx((150.0 / area, 50.0 / area))
    assert glue.tension_energy_N_per_mm == 1.5
    with pytest.raises(InputError, match="tension_MPa beside readings"):
        find_glue({"tension_MPa": 2.0, "readings": tuple(pulls)})
    with pytest.raises(InputError, match="or readings with a pull"):
        find_glue({"readings": ({"kind": "peel", "width_mm": 20.0, "force_N": 30.0},)})


def test_layer_stiffness_from_modulus():
    """Exact: traction E u/h in tension, G u/h in shear with G = E/3 (incompressible)."""
    assert layer_stiffness(20.0, 0.5) == pytest.approx((40.0, 40.0 / 3.0))
    with pytest.raises(InputError):
        layer_stiffness(20.0, 0.0)


def test_glue_holds_area_times_strength():
    """Exact: 2 MPa on a disc of 30 mm is 1414 N."""
    glue = find_glue("standard-hot-melt")
    area = find_tab("round-30").area_mm2
    assert glue.holds_N(area) == pytest.approx(2.0 * math.pi * 15.0**2)


def test_glue_weakens_when_warm_and_strengthens_as_it_sets():
    """MEMORY: about half of the strength left by 40 to 50 C; brittle below about 10 C."""
    glue = find_glue("standard-hot-melt")
    assert glue.at(20.0) == glue
    assert glue.at(45.0).tension_MPa == pytest.approx(1.0)
    assert glue.at(35.0).shear_energy_N_per_mm == pytest.approx(0.75 * glue.shear_energy_N_per_mm)
    young = [glue.at(20.0, age).tension_MPa for age in (0.5, 1.0, 2.0, 60.0)]
    assert young == sorted(young)
    assert young[-1] == glue.tension_MPa > 2.0 * young[0]
    for temperature in (5.0, 60.0):
        with pytest.raises(InputError, match="10 to 50 C"):
            glue.at(temperature)


@pytest.mark.parametrize("name", tool_names()["glues"])
def test_every_glue_number_has_status_and_origin_and_is_used(name):
    glue = find_glue(name)
    numbers = glue_numbers(name)
    for number in numbers:
        assert number.status in (*STATUSES, "DERIVED")
        assert len(number.origin) > 8
    values = {number.name: number.value for number in numbers}
    for key, value in values.items():
        if isinstance(value, float | int) and "stiffness" not in key:
            assert getattr(glue, key) == value, key
    assert values["normal_stiffness_N_per_mm3"] * glue.layer_mm == pytest.approx(glue.modulus_MPa)
    assert glue.by_temperature
    assert glue.by_age


@pytest.mark.parametrize(("find", "spec", "message"), [
    (find_tab, "round-3O", "did you mean 'round-30'"),
    (find_tip, "bal-12", "did you mean 'ball-12'"),
    (find_glue, "standard-hotmelt", "did you mean 'standard-hot-melt'"),
    (find_tab, "zzz", "one of round-8"),
    (find_tab, 30, "a name or a block"),
    (find_tab, {"diameter_m": 30.0}, "did you mean 'diameter_mm'"),
    (find_tab, {"kind": "rund", "diameter_mm": 30.0}, "did you mean 'round'"),
    (find_tab, {"kind": "round"}, "diameter_mm: .*key missing"),
    (find_tab, {"diameter_mm": -30.0}, "3 to 150 mm"),
    (find_tab, {"diameter_mm": math.nan}, "3 to 150 mm"),
    (find_tab, {"diameter_mm": "30"}, "expected a number"),
    (find_tab, {"diameter_mm": True}, "expected a number"),
    (find_tab, {"kind": "oval", "length_mm": 30.0}, "width_mm: .*key missing"),
    (find_tab, {"kind": "strip", "length_mm": 10.0, "width_mm": 20.0}, "wider than long"),
    (find_tab, {"kind": "rounded-rectangle", "length_mm": 30.0, "width_mm": 20.0,
                "corner_mm": 11.0}, "at most half the width"),
    (find_tip, {"radius_mm": 0.0}, "1 to 100 mm"),
    (find_tip, {"kind": "blade", "edge_radius_mm": 2.0, "length_mm": 3.0}, "rounding"),
    (find_tip, {"kind": "ball", "radius_mm": 2.0, "length_mm": 3.0}, "length_mm: .*unknown key"),
    (find_tip, {"name": 3, "radius_mm": 2.0}, "3 found"),
    (find_glue, {"shear_MPa": 2.0}, "has no strength; tension_MPa, or readings"),
    (find_glue, {"tension_MPa": 2.0, "tension_energy_N_per_mm": 0.01}, "at least 0.0525 N/mm"),
    (find_glue, {"tension_MPa": 2.0, "by_age": ({"age_min": 5.0, "share_pct": 100.0},
                                                {"age_min": 1.0, "share_pct": 50.0})}, "not rise"),
    (find_tab, {"diameter_mm": 30.0, "thickness_mm": 4.0}, "modulus_MPa missing"),
    (find_tab, {"diameter_mm": 30.0, "stem_mm": 4.0}, "rigid tab does nothing"),
    (find_tab, {"diameter_mm": 30.0, "thickness_mm": 4.0, "modulus_MPa": 2500.0,
                "stem_mm": 29.0}, "less than 0.9 of the width"),
])
def test_bad_tools_are_refused_in_one_line(find, spec, message):
    with pytest.raises((InputError, InputErrors), match=message) as caught:
        find(spec)
    assert "\n" not in str(caught.value)


OWN = """\
tabs:
  shop-27: {kind: round, diameter_mm: 27}
tips:
  nylon-10: {kind: flat-nose, radius_mm: 10, nose_mm: 2}
glues:
  blue:
    tension_MPa: [1.6, ESTIMATE, "five pulls of a 20 mm tab"]
    shear_MPa: 1.4
"""


def test_own_catalogue_stands_beside_the_builtin_one(tmp_path):
    file = tmp_path / "own.yaml"
    file.write_text(OWN)
    own = builtin().with_file(file)
    assert find_tab("shop-27", own).area_mm2 == pytest.approx(math.pi * 13.5**2)
    assert find_tip("nylon-10", own).body.core_radius_mm == 8.0
    assert find_glue("blue", own).shear_MPa == 1.4
    assert [n.status for n in glue_numbers("blue", own)][:2] == ["ESTIMATE", "OWN"]
    assert find_tab("round-30", own) == find_tab("round-30")
    with pytest.raises(InputError, match="unknown tab"):
        find_tab("shop-27")


@pytest.mark.parametrize(("right", "wrong", "message"), [
    ("tabs:", "tab:", "own.yaml:1: tab: unknown key; did you mean 'tabs'"),
    ("shop-27:", "round-30:", "own.yaml:2: tabs.round-30: this name is in the catalogue already"),
    ("diameter_mm: 27", "diametre_mm: 27", "own.yaml:2: tabs.shop-27.diametre_mm: .*'diameter_mm'"),
    ("radius_mm: 10", "radius_mm: 1000", "own.yaml:4: tips.nylon-10.radius_mm: .*1 to 100 mm"),
    ("ESTIMATE", "GUESS", "own.yaml:6: glues.blue: .* one of SEEN"),
    ("{kind: round, diameter_mm: 27}", "27", "own.yaml:2: tabs.shop-27: 27 found"),
])
def test_bad_catalogue_is_refused_with_file_and_line(tmp_path, right, wrong, message):
    file = tmp_path / "own.yaml"
    file.write_text(OWN.replace(right, wrong))
    with pytest.raises((InputError, InputErrors), match=message):
        builtin().with_file(file)


def test_minutes_with_and_without_change_of_tool():
    table = load_times()
    for operation in ("pull", "tap_down", "push"):
        plain = operation_minutes(operation)
        assert plain == table[operation] > 0
        assert operation_minutes(operation, tool_change=True) == plain + table["tool_change"]
        assert operation_minutes(operation, touches=9) == plain + 8 * table["further_touch"]
    for wrong in ("pul", "tool_change"):
        with pytest.raises(InputError, match="unknown operation"):
            operation_minutes(wrong)


def test_minutes_from_a_table_of_ones_own(tmp_path):
    own = tmp_path / "times.yaml"
    own.write_text("minutes:\n  pull: 7.5\n", "utf-8")
    table = load_times(own)
    assert operation_minutes("pull", times=table) == 7.5
    assert operation_minutes("push", times=table) == operation_minutes("push")


@pytest.mark.parametrize(("text", "message"), [
    ("minutes:\n  pul: 7\n", "did you mean 'pull'"), ("minutes:\n  pull: -1\n", "positive"),
    ("pull: 3\n", "no 'minutes'"), ("minutes: [\n", "cannot read"), (None, "cannot read"),
])
def test_bad_table_of_minutes_names_the_file(tmp_path, text, message):
    own = tmp_path / "times.yaml"
    if text is not None:
        own.write_text(text, "utf-8")
    with pytest.raises(InputError, match=message) as caught:
        load_times(own)
    assert caught.value.file == str(own)


def test_cautions_cover_the_usual_dangers():
    words = " ".join(caution.text.lower() for caution in CAUTIONS)
    for word in ("hot glue", "eye protection", "airbags", "wiring", "high-voltage", "structural",
                 "sensors", "lamps", "snap", "maker's", "local codes", "licensed practice"):
        assert word in words
    assert len({caution.key for caution in CAUTIONS}) == len(CAUTIONS)


def test_cautions_for_operations():
    keys = {caution.key for caution in cautions_for(("tap_down",))}
    assert "eyes" in keys
    assert "hot-glue" not in keys
    assert "hot-glue" in {caution.key for caution in cautions_for(("tap_down", "pull"))}
    assert cautions_for() == CAUTIONS


def test_page_is_up_to_date():
    """As last time: `python -m simkit.tool.page > docs/tools.md` rewrites it."""
    assert (ROOT / "docs" / "tools.md").read_text("utf-8") == tools_page()
