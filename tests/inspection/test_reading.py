"""The damage reading against shapes whose lows, crowns, radii and areas are known exactly."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from simkit.case.panel import Behind, DiscSupport, Panel, ReachRectangle, RectangleSupport
from simkit.cli.main import main
from simkit.dent import Bowl, Crease, DepthField
from simkit.dent.shapes import decay_of
from simkit.inspection.damage import Surroundings, read_damage
from simkit.inspection.damage.access import access_at
from simkit.inspection.damage.creases import sharpest_seen
from simkit.inspection.damage.edge import find_edge_kinks
from simkit.inspection.damage.reading import border_of, yield_strain_of
from simkit.material.grades import load_grade
from simkit.measurement.read import field_of_shapes
from simkit.scan.tensor import equations, even_knots, penalty

PANEL = Panel(length_x_mm=600.0, length_y_mm=400.0, thickness_mm=0.8, grade="DC04")
BOWL = Bowl(30.0, -15.0, 3.0, 90.0, 90.0, 0.0, 0.3)
CREASE = Crease(10.0, 20.0, 2.5, 150.0, 60.0, 25.0, 0.25, radius_mm=6.0)
KNOWN = Surroundings(PANEL, 0.8, 0.001)


def reading_of(*shapes, known=KNOWN):
    return read_damage(field_of_shapes(shapes), known, 0.1)


def test_a_bowl_has_one_low_its_crown_all_round_and_no_crease():
    reading = reading_of(BOWL)
    low = reading.spots[0]
    assert (low.kind, low.x_mm, low.y_mm) == ("low", pytest.approx(30.0, abs=0.1),
                                              pytest.approx(-15.0, abs=0.1))
    assert low.height_mm == pytest.approx(-3.0, abs=1e-3)
    ring = reading.crowns[0]
    # The shape's own formula: the rim at half its width, the crown at sqrt(1 + 1/b) of that.
    assert ring.height_mm == pytest.approx(0.3, rel=0.01)
    assert np.nanmean(ring.rim_mm) == pytest.approx(45.0, rel=0.01)
    assert np.nanmean(ring.ring_mm) == pytest.approx(
        45.0 * np.sqrt(1.0 + 1.0 / decay_of(BOWL)), rel=0.02)
    assert np.isfinite(ring.d_mm).all()
    assert reading.creases == ()
    assert len(reading.areas) == 1


def test_a_crease_is_found_with_its_place_direction_and_radius():
    reading = reading_of(CREASE)
    line = reading.creases[0]
    assert len(reading.creases) == 1
    assert line.kind == "valley"
    assert not line.blunted
    assert line.sharpest_mm == pytest.approx(6.0, rel=0.05)
    assert np.hypot(line.sharpest_xy_mm[0] - 10.0, line.sharpest_xy_mm[1] - 20.0) < 12.0
    way = line.xy_mm[-1] - line.xy_mm[0]
    assert np.degrees(np.arctan2(way[1], way[0])) % 180.0 == pytest.approx(25.0, abs=1.5)
    away = (line.xy_mm - [10.0, 20.0]) @ np.array([-np.sin(np.radians(25)), np.cos(np.radians(25))])
    assert np.abs(away).max() < 1.0
    assert 0.6 * 150.0 < line.length_mm < 1.05 * 150.0


def test_the_same_crease_pushed_out_is_a_ridge():
    field = field_of_shapes([CREASE])
    turned = DepthField(lambda x, y: -field.depth(x, y), field.reach_mm, 0.0, "pushed out",
                        field.places_mm, field.places_line)
    line = read_damage(turned, Surroundings(), 0.1).creases[0]
    assert line.kind == "ridge"
    assert line.sharpest_mm == pytest.approx(6.0, rel=0.05)


@pytest.mark.parametrize(("gap", "areas"), [(45.0, 2), (10.0, 1)])
def test_areas_are_apart_when_a_tab_fits_between(gap, areas):
    """Bowls without crowns, cut off at 0.1 mm: d = -3 (1 - s)^3 there, s = (r / 30)^2."""
    radius = 30.0 * np.sqrt(1.0 - (0.1 / 3.0) ** (1.0 / 3.0))
    apart = 2.0 * radius + gap
    reading = reading_of(Bowl(-apart / 2, 0.0, 3.0, 60.0, 60.0),
                         Bowl(apart / 2, 0.0, 2.0, 60.0, 60.0))
    assert len(reading.areas) == areas
    assert sum(area.area_mm2 for area in reading.areas) == pytest.approx(
        2.0 * np.pi * radius**2 * (1.0 + _thinner(radius)) / 2.0, rel=0.02)
    assert reading.areas[0].lowest_mm == pytest.approx(-3.0, abs=0.01)


def _thinner(radius):
    """Area of the 2 mm bowl beyond 0.1 mm, over that of the 3 mm bowl."""
    return (30.0 * np.sqrt(1.0 - (0.1 / 2.0) ** (1.0 / 3.0))) ** 2 / radius**2


def test_noise_raises_the_tolerance():
    field = field_of_shapes([BOWL], noise_mm=0.08)
    reading = read_damage(field, Surroundings(), 0.1)
    assert reading.tolerance_mm == pytest.approx(0.24)
    assert any("three times the noise" in note for note in reading.notes)


def test_strain_beyond_yield_is_the_estimate_less_the_yield_strain():
    yielding = yield_strain_of("DC04")
    sheet = load_grade("DC04").sheet()
    assert yielding == pytest.approx(float(sheet.tension(0.0)) / sheet.E_MPa)
    strain = reading_of(CREASE, known=Surroundings(None, 0.8, yielding)).strain
    # t / 2R at the bottom, where the slope is zero.
    assert strain.bending == pytest.approx(0.4 / 6.0, rel=0.05)
    assert strain.plastic == pytest.approx(strain.total - yielding)
    # 2 b of the slope across at the steepest place: |grad|^2 / 2 of a V of 2.5 mm over 30 mm.
    assert strain.membrane > 0.5 * (2.5 / 30.0) ** 2
    assert reading_of(CREASE, known=Surroundings()).strain is None


def v_shaped(slope, radius):
    """d = slope (sqrt(x^2 + a^2) - a) - 2: a kink across y = const lines, its radius a / slope."""
    a = slope * radius
    return lambda x, y: slope * (np.sqrt(x**2 + a**2) - a) - 2.0


def test_kinks_at_the_edge_turn_by_what_they_turn():
    """The V's chords over 10 mm to either side rise by 0.1 (sqrt(10^2 + 0.5^2) - 0.5) each."""
    depth = v_shaped(0.1, 5.0)
    border = border_of(PANEL)
    kinks = find_edge_kinks(depth, border)
    assert {kink.side for kink in kinks} == {"bottom", "top"}
    turn = 2.0 * 0.1 * (np.hypot(10.0, 0.5) - 0.5) / 10.0
    for kink in kinks:
        assert kink.x_mm == pytest.approx(0.0, abs=1.0)
        assert kink.turn_deg == pytest.approx(np.degrees(np.arctan(turn)), rel=0.03)
        assert kink.radius_mm == pytest.approx(5.0, rel=0.15)
    assert find_edge_kinks(v_shaped(0.1, 500.0), border) == []


def test_access_from_behind():
    bed = {"stiffness_N_per_mm3": 10.0}
    panel = PANEL.model_copy(update={
        "supports": (RectangleSupport(shape="rectangle", name="beam", x_mm=0.0, y_mm=0.0,
                                      length_mm=200.0, width_mm=40.0, angle_deg=90.0, **bed),
                     DiscSupport(shape="disc", name="pad", x_mm=150.0, y_mm=0.0, radius_mm=20.0,
                                 **bed)),
        "behind": Behind(reach=(ReachRectangle(x_mm=0.0, y_mm=0.0, length_mm=400.0,
                                               width_mm=300.0),))})
    for (x, y), push, reason in (((0.0, 90.0), False, "beam behind it"),
                                 ((29.0, 0.0), False, "beam behind it"),
                                 ((31.0, 0.0), True, ""),
                                 ((150.0, 29.0), False, "pad behind it"),
                                 ((150.0, 31.0), True, ""),
                                 ((250.0, 0.0), False, "outside the openings")):
        access = access_at(panel, x, y)
        assert (access.push, access.reason) == (push, reason)
    closed = PANEL.model_copy(update={"behind": Behind(reach="none")})
    assert not access_at(closed, 0.0, 0.0).push


def test_a_smoothed_kink_is_as_sharp_as_said():
    """A kink of 0.2 rad in dense points, smoothed by rho l^4: curvature 0.2 / (2 sqrt(2) l)."""
    x, y = (v.ravel() for v in np.meshgrid(np.arange(-40.0, 40.0, 0.5), np.arange(-6.0, 6.0, 0.5)))
    knots = even_knots(-40.0, 40.0, 0.7), even_knots(-6.0, 6.0, 2.0)
    smoothing = 3.0
    spline = equations(x, y, 0.1 * np.abs(x), np.ones_like(x), *knots).solve(
        penalty(*knots, 2), 4.0 * smoothing**4)
    h = 0.3
    bend = (spline(h, 0.0) - 2.0 * spline(0.0, 0.0) + spline(-h, 0.0)) / h**2
    assert 1.0 / float(bend) == pytest.approx(sharpest_seen(smoothing, 0.2), rel=0.05)
    assert sharpest_seen(None, 0.2) == 0.0


def test_read_writes_the_same_in_all_forms(tmp_path, capsys):
    case = str(Path(__file__).parents[2] / "cases" / "crease")
    out = tmp_path / "out"
    assert main(["read", case, "--out", str(out), "--tolerance", "0.05"]) == 0
    text = capsys.readouterr().out
    info = json.loads((out / "reading.json").read_text())
    rows = list(csv.DictReader((out / "reading.csv").open()))
    assert info["tolerance_mm"] == pytest.approx(0.06)
    assert [row["finding"] for row in rows if row["finding"] in ("low", "high")] == [
        spot["kind"] for spot in info["spots"]]
    crease = next(row for row in rows if row["finding"].startswith("crease"))
    assert float(crease["radius_mm"]) == pytest.approx(info["creases"][0]["sharpest_mm"], rel=1e-3)
    assert f"sharpest radius {info['creases'][0]['sharpest_mm']:.1f} mm" in text
    first = (out / "reading.png").read_bytes()
    assert first.startswith(b"\x89PNG")
    assert main(["read", case, "--out", str(out), "--tolerance", "0.05"]) == 0
    assert (out / "reading.png").read_bytes() == first


def test_a_case_without_a_dent_is_refused(tmp_path, capsys):
    (tmp_path / "case.yaml").write_text(
        "format: 1\ntitle: Virgin\nabout: Invented.\npanel: {length_x_mm: 300, length_y_mm: 200, "
        "thickness_mm: 0.8, grade: DC04}\n")
    assert main(["read", str(tmp_path)]) == 2
    assert "no dent in the case" in capsys.readouterr().err
