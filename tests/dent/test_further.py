"""Highs, crease lines and kinks. Truth: exact, by their own formulas and symmetry."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.dent import Bowl, Crease, CreaseLine, High, Kink
from simkit.errors import InputError
from simkit.measurement.read import field_of_shapes, read_dent

X, Y = np.meshgrid(np.linspace(-90.0, 90.0, 61), np.linspace(-70.0, 70.0, 51))


def test_a_high_is_a_bowl_turned_over() -> None:
    high, bowl = High(5.0, -3.0, 2.0, 90.0, 60.0, 20.0), Bowl(5.0, -3.0, 2.0, 90.0, 60.0, 20.0)
    np.testing.assert_allclose(high(X, Y), -bowl(X, Y))


def test_a_straight_crease_line_is_a_crease() -> None:
    """A crease's length runs from zero to zero of its bottom, a line's from place to place."""
    line = CreaseLine(((-60.0, 10.0), (-20.0, 10.0), (60.0, 10.0)), 3.0, 40.0, 8.0)
    crease = Crease(0.0, 10.0, 3.0, 120.0, 40.0, 0.0, 0.0, 8.0)
    inner = np.abs(X) < 55.0
    np.testing.assert_allclose(line(X, Y)[inner], crease(X, Y)[inner], atol=0.02)


def test_a_curved_crease_is_deepest_along_its_line() -> None:
    angle = np.linspace(0.0, 1.2, 6)
    line = CreaseLine(tuple(zip(80.0 * np.cos(angle), 80.0 * np.sin(angle), strict=True)), 4.0,
                      30.0)
    on = np.array([0.5, 0.6, 0.7])
    np.testing.assert_allclose(line(80.0 * np.cos(on), 80.0 * np.sin(on)), -4.0, atol=0.2)
    assert float(line(np.array(60.0), np.array(0.0))) == 0.0


def test_a_kink_is_deepest_at_its_edge_and_hangs_over() -> None:
    kink = Kink(0.0, -100.0, 6.0, 60.0, 80.0, 90.0)
    field = field_of_shapes([kink], 0.02)
    assert field(0.0, -100.0) == pytest.approx(-6.0)
    assert field(0.0, -60.0) > field(0.0, -90.0)
    assert field(0.0, -19.0) == 0.0
    item = {"kind": "kink", "x_mm": 0, "y_mm": -100, "depth_mm": 6, "width_mm": 60,
            "reach_mm": 80, "angle_deg": 90}

    class Spec:
        points_csv = grid_csv = None
        shapes = (item,)
        noise_mm = 0.02

    read = read_dent(Spec(), (-150.0, 150.0, -100.0, 100.0))
    assert read is not None
    assert read(3.0, -80.0) == pytest.approx(float(field(3.0, -80.0)))


@pytest.mark.parametrize(("shape", "key"), [
    (High(0.0, 0.0, 30.0, 50.0, 50.0), "k.height_mm"),
    (Kink(0.0, 0.0, 40.0, 60.0, 80.0, 90.0), "k.depth_mm"),
    (CreaseLine(((0.0, 0.0), (0.0, 0.0)), 2.0, 40.0), "k.line"),
    (CreaseLine(((0.0, 0.0), (9.0, 0.0)), 2.0, 40.0, 60.0), "k.radius_mm"),
])
def test_unreasonable_shapes_name_their_key(shape, key) -> None:
    with pytest.raises(InputError) as error:
        shape.check("k")
    assert error.value.key == key
