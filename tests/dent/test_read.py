"""The door from the case, the panel's border, the strain estimate, the demo data."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from simkit.dent import Bowl, DepthField, check_inside, strain_from_shape
from simkit.dent.field import inside
from simkit.errors import InputError
from simkit.measurement.read import field_of_shapes, read_dent

CASES = Path(__file__).parents[2] / "cases"
PANEL = (-300.0, 300.0, -200.0, 200.0)


def spec(**given):
    return SimpleNamespace(**{"points_csv": None, "grid_csv": None, "shapes": None,
                              "noise_mm": 0.02, **given})


def bowl(**change):
    return {"kind": "bowl", "x_mm": 0.0, "y_mm": 0.0, "depth_mm": 3.0, "length_mm": 100.0,
            "width_mm": 90.0, **change}


def test_no_dent():
    assert read_dent(None, PANEL) is None
    assert read_dent(spec(), PANEL) is None


def test_shapes_as_mappings_objects_and_shapes():
    wanted = field_of_shapes([Bowl(0.0, 0.0, 3.0, 100.0, 90.0)], 0.02)(10.0, 7.0)
    for item in (bowl(), SimpleNamespace(**bowl(crown_mm=None)), Bowl(0.0, 0.0, 3.0, 100.0, 90.0)):
        field = read_dent(spec(shapes=(item,)), PANEL)
        assert field is not None
        assert field(10.0, 7.0) == wanted


@pytest.mark.parametrize(("given", "key"), [
    ({"shapes": (bowl(),), "points_csv": "a.csv"}, "dent"),
    ({"shapes": ()}, "dent.shapes"),
    ({"shapes": (bowl(kind="bump"),)}, "dent.shapes[0].kind"),
    ({"shapes": (bowl(), bowl(depth_mm=None))}, "dent.shapes[1].depth_mm"),
    ({"shapes": (bowl(),), "noise_mm": -0.1}, "dent.noise_mm"),
])
def test_bad_sections(given, key):
    with pytest.raises(InputError) as error:
        read_dent(spec(**given), PANEL)
    assert error.value.key == key


def test_dent_outside_the_panel(tmp_path):
    with pytest.raises(InputError, match="dent outside the panel"):
        read_dent(spec(shapes=(bowl(x_mm=301.0),)), PANEL)
    over_the_edge = read_dent(spec(shapes=(bowl(x_mm=270.0),)), PANEL)
    assert over_the_edge is not None
    path = tmp_path / "g.csv"
    path.write_text("x_mm,y_mm,d_mm\n" + "".join(
        f"{x},{y},-1\n" for x in (240, 280, 310) for y in (0, 30, 60)))
    with pytest.raises(InputError, match=r"x = 310.*3 such places") as error:
        read_dent(spec(points_csv=path), PANEL)
    assert error.value.line == 8


def test_inside_an_l_shaped_outline():
    corner = np.array([[0, 0], [4, 0], [4, 1], [1, 1], [1, 4], [0, 4.0]])
    xy = np.array([[0.5, 3], [3, 0.5], [3, 3], [1, 2], [-1, 0.5], [4, 0], [2, 1.0]])
    assert inside(xy, corner).tolist() == [True, True, False, True, False, True, True]
    field = field_of_shapes([Bowl(30.0, 30.0, 1.0, 40.0, 40.0)])
    check_inside(field, corner * 100.0)
    with pytest.raises(InputError):
        check_inside(field, corner * 12.0)


def sphere_cap(radius, rim):
    def depth(x, y):
        r2 = np.minimum(x**2 + y**2, rim**2)
        return np.sqrt(radius**2 - rim**2) - np.sqrt(radius**2 - r2)
    places = np.zeros((1, 2))
    return DepthField(depth, (-rim, rim, -rim, rim), 0.0, "cap", places, np.zeros(1, np.int64))


def test_strain_of_a_spherical_cap():
    """Exact: curvature 1/R everywhere, slope r/sqrt(R^2 - r^2)."""
    radius, rim, t = 120.0, 50.0, 0.8
    estimate = strain_from_shape(sphere_cap(radius, rim), t)
    x, y = np.meshgrid(estimate.x_mm, estimate.y_mm)
    r = np.hypot(x, y)
    within = r < 0.9 * rim
    np.testing.assert_allclose(estimate.bending[within], 0.5 * t / radius, rtol=2e-3)
    assert estimate.largest >= estimate.bending[within].max()


def test_membrane_strain_of_a_round_dent():
    """Exact: von Karman's plate, axisymmetric, free to slide, by quadrature.

    r d/dr((1/r) d/dr(r^2 S)) = -w'^2 / 2 for the radial stress S over E, both stresses falling to
    nothing far away.
    """
    height, spread = 4.0, 25.0
    field = DepthField(lambda x, y: -height * np.exp(-0.5 * (x**2 + y**2) / spread**2),
                       (-125.0, 125.0, -125.0, 125.0), 0.0, "dent", np.zeros((1, 2)),
                       np.zeros(1, np.int64))
    estimate = strain_from_shape(field, 0.8, 161)
    r = np.linspace(1e-6, 40.0 * spread, 200_001)
    slope = height * r / spread**2 * np.exp(-0.5 * r**2 / spread**2)
    below = cumulative_trapezoid(0.5 * slope**2 / r, r, initial=0.0)
    both = below[-1] - below
    radial = cumulative_trapezoid(r * both, r, initial=0.0) / r**2
    radial[0] = 0.5 * both[0]
    hoop = both - radial
    wanted = np.maximum(np.abs(radial - 0.3 * hoop), np.abs(hoop - 0.3 * radial))
    x, y = np.meshgrid(estimate.x_mm, estimate.y_mm)
    np.testing.assert_allclose(estimate.membrane, np.interp(np.hypot(x, y), r, wanted),
                               atol=0.01 * wanted.max())


def test_a_trough_of_a_flat_sheet_costs_no_membrane_strain():
    """Exact: a cylinder is developable; on a panel curved along the trough it no longer is."""
    field = DepthField(lambda x, y: -4.0 * np.exp(-0.5 * (x / 25.0) ** 2) + 0.0 * y,
                       (-125.0, 125.0, -125.0, 125.0), 0.0, "trough", np.zeros((1, 2)),
                       np.zeros(1, np.int64))
    assert strain_from_shape(field, 0.8).membrane.max() < 1e-9
    assert strain_from_shape(field, 0.8, radii_mm=(np.inf, 900.0)).membrane.max() > 1e-4


def test_bending_strain_grows_with_thickness_and_membrane_does_not():
    field = field_of_shapes([Bowl(0.0, 0.0, 4.0, 100.0, 60.0, 30.0, 0.3)])
    thin, thick = strain_from_shape(field, 0.7), strain_from_shape(field, 1.4)
    np.testing.assert_allclose(thick.bending, 2.0 * thin.bending, rtol=1e-12)
    np.testing.assert_allclose(thick.membrane, thin.membrane, rtol=1e-12)


def test_demo_data_are_the_generators_and_say_that_they_are_invented(tmp_path):
    copy = tmp_path / "make_demo_data.py"
    copy.write_text((CASES / "make_demo_data.py").read_text())
    # The other file takes a simulated blow of most of a minute to write.
    subprocess.run([sys.executable, str(copy), "aluminium-bowl"], check=True)
    bowl = "aluminium-bowl/grid.csv"
    assert (CASES / bowl).read_text() == (tmp_path / bowl).read_text()
    for name in (bowl, "first-dent/gauge.csv"):
        assert (CASES / name).read_text().startswith("# Invented, not measured")


def test_demo_fields():
    first = read_dent(spec(points_csv=CASES / "first-dent" / "gauge.csv"), PANEL)
    assert first is not None
    assert first.lowest_mm == pytest.approx(-4.1, abs=0.06)
    assert first.highest_mm == pytest.approx(0.32, abs=0.06)
    assert first.quality.notes == ()
    # Crown on the tighter curved sides (+y, -y), next to none along x.
    assert min(float(first(30.0, 55.0)), float(first(30.0, -85.0))) > 0.2
    assert max(float(first(100.0, -15.0)), float(first(-40.0, -15.0))) < 0.1
    bowl_field = read_dent(spec(grid_csv=CASES / "aluminium-bowl" / "grid.csv"), PANEL)
    assert bowl_field is not None
    assert bowl_field.lowest_mm == pytest.approx(-2.5, abs=0.05)
    assert bowl_field.highest_mm == pytest.approx(0.12, abs=0.04)
