"""Spots, flatness, improvement, crown and stretch against exact shapes (elementary geometry)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from simkit.dent import Bowl
from simkit.dent.shapes import decay_of
from simkit.errors import InputError
from simkit.inspection.crown import crown_relaxation, crown_ring, highest_in_band
from simkit.inspection.measures import (
    area_strain,
    deviation_volume_mm3,
    excess_volume_mm3,
    flatness,
    improvement_pct,
    improvement_raw_pct,
    left_mm2,
    limit_use,
    slope_deviation,
    slope_improvement_pct,
    stretch_mm2,
)
from simkit.inspection.spots import SampledField, find_spots, spot_labels

X, Y = np.linspace(-150.0, 150.0, 301), np.linspace(-120.0, 120.0, 241)


def sampled(function, valid=None, x=X, y=Y):
    xx, yy = np.meshgrid(x, y)
    return SampledField(x, y, function(xx, yy), None if valid is None else valid(xx, yy))


def gauss(height, x0, y0, sx, sy, angle_deg=0.0):
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))

    def function(x, y):
        u, v = c * (x - x0) + s * (y - y0), c * (y - y0) - s * (x - x0)
        return height * np.exp(-0.5 * (u / sx) ** 2 - 0.5 * (v / sy) ** 2)
    return function


def cap(height, x0, y0, radius):
    return lambda x, y: height * np.clip(1 - ((x - x0)**2 + (y - y0)**2) / radius**2, 0, None)


def test_paraboloid_cap_is_one_low_with_exact_figures():
    """d = -h (1 - r^2/a^2): |d| > tol within r^2 < a^2 (1 - tol/h), slope 2 h r/a^2."""
    h, a, tol = 3.0, 60.0, 0.1
    spots = find_spots(sampled(cap(-h, 10.3, -20.6, a)), tol)
    assert len(spots) == 1
    spot = spots[0]
    edge = a * np.sqrt(1 - tol / h)
    assert spot.kind == "low"
    assert (spot.x_mm, spot.y_mm, spot.height_mm) == pytest.approx((10.3, -20.6, -h), abs=1e-9)
    assert spot.area_mm2 == pytest.approx(np.pi * edge**2, rel=2e-3)
    assert (spot.long_mm, spot.short_mm) == pytest.approx((2 * edge, 2 * edge), rel=3e-3)
    assert spot.slope_mrad == pytest.approx(2000 * h * edge / a**2, rel=0.03)


@pytest.mark.parametrize("angle", [-60.0, 0.0, 25.0, 90.0])
def test_axes_and_angle_of_an_elongated_high(angle):
    """A Gaussian's level set is an ellipse: half axes sigma sqrt(2 ln(h/tol))."""
    spot = find_spots(sampled(gauss(1.0, 0.0, 5.0, 30.0, 15.0, angle)), 0.1)[0]
    factor = 2 * np.sqrt(2 * np.log(10.0))
    assert spot.kind == "high"
    assert (spot.long_mm, spot.short_mm) == pytest.approx((30 * factor, 15 * factor), rel=3e-3)
    assert spot.angle_deg == pytest.approx(angle, abs=0.2)
    # Steepest slope of a Gaussian: h/(sigma sqrt(e)) across its short axis.
    assert spot.slope_mrad == pytest.approx(1000 / (15 * np.sqrt(np.e)), rel=3e-3)


def test_axes_of_a_small_rectangle_are_exact():
    """A uniform rectangle a by b has the second moments a^2/12 and b^2/12."""
    d = np.zeros((len(Y), len(X)))
    d[100:103, 50:57] = 0.5
    spot = find_spots(SampledField(X, Y, d), 0.1)[0]
    assert (spot.long_mm, spot.short_mm) == pytest.approx((28 / np.sqrt(12), 12 / np.sqrt(12)))
    assert spot.area_mm2 == 21.0


def test_volume_of_a_slab_counts_the_border_once():
    slab = sampled(lambda x, y: -0.5 + 0.0 * x)
    assert deviation_volume_mm3(slab) == pytest.approx(0.5 * 300.0 * 240.0, rel=1e-12)


def test_spots_are_sorted_by_height_and_labels_match():
    parts = [gauss(0.4, -90, 60, 12, 12), gauss(-2.0, 60, 40, 15, 15), gauss(-0.9, 0, -60, 15, 15)]
    field = sampled(lambda x, y: sum(p(x, y) for p in parts))
    spots, labels = find_spots(field, 0.1), spot_labels(field, 0.1)
    assert [round(s.height_mm, 3) for s in spots] == [-2.0, -0.9, 0.4]
    assert [s.kind for s in spots] == ["low", "low", "high"]
    assert [s.label for s in spots] == [1, 2, 3]
    for s in spots:
        assert labels[np.argmin(np.abs(Y - s.y_mm)), np.argmin(np.abs(X - s.x_mm))] == s.label
    assert set(np.unique(labels)) == {0, 1, 2, 3}
    assert ((labels > 0) == (np.abs(field.d_mm) > 0.1)).all()


def two(distance, height=-1.0, sigma=15.0):
    """Two equal Gaussians; on the middle of them 2 h exp(-distance^2/8 sigma^2)."""
    a, b = (gauss(height, x0, 0, sigma, sigma) for x0 in (-distance / 2, distance / 2))
    return sampled(lambda x, y: a(x, y) + b(x, y))


def test_two_dents_sharing_a_rim_stay_two_and_a_double_bottom_is_one():
    middle = 2 * np.exp(-(50.0**2) / (8 * 15.0**2))
    assert middle > 0.1
    assert len(find_spots(two(50.0), 0.1)) == 2
    # Distance 34, 4 mm deep: the pass lies 0.2 mm below the tops, a twentieth: one long spot.
    deep = two(34.0, height=-4.0)
    saddle = -deep.d_mm[len(Y) // 2, len(X) // 2]
    assert 0.1 < -deep.d_mm.min() - saddle < 0.3
    one = find_spots(deep, 0.1)
    assert len(one) == 1
    assert one[0].long_mm > 1.3 * one[0].short_mm


def test_a_gap_just_within_the_tolerance_does_not_split():
    """Tops of 0.120 with a pass of 0.095 between: one spot of two pieces at 0.1."""
    def ridge(x, y):
        return (0.1075 + 0.0125 * np.cos(np.pi * x / 40.0)) * np.exp(-(y**2) / 200.0) * (
            np.abs(x) < 100.0)
    field = sampled(ridge)
    spots = find_spots(field, 0.1)
    assert len(spots) == 1
    assert (field.d_mm > 0.1).sum() * 1.0 == spots[0].area_mm2


def test_noise_does_not_break_a_spot_up():
    noise = np.random.default_rng(0).normal(0.0, 0.01, (len(Y), len(X)))
    clean = sampled(gauss(-4.0, 0, 0, 25, 25))
    spots = find_spots(SampledField(X, Y, clean.d_mm + noise), 0.1)
    assert len(spots) == 1


def test_symmetric_crown_is_one_ring_and_lobes_are_two():
    bowl = Bowl(0.0, 0.0, 3.0, 60.0, 60.0, 0.0, 0.3)
    assert [s.kind for s in find_spots(sampled(bowl), 0.1)] == ["low", "high"]

    def lobed(x, y):
        d = bowl(x, y)
        sine2 = y**2 / np.maximum(x**2 + y**2, 1e-9)
        return np.where(d > 0, d * (0.5 + 0.5 * sine2), d)
    assert [s.kind for s in find_spots(sampled(lobed), 0.1)] == ["low", "high", "high"]


def test_what_is_off_the_panel_does_not_count():
    field = sampled(lambda x, y: cap(-1.0, 0, 0, 40)(x, y) + cap(5.0, 100, 0, 20)(x, y),
                    valid=lambda x, y: x < 70.0)
    off = np.where(field.on_panel, field.d_mm, np.nan)
    spots = find_spots(SampledField(X, Y, off, field.valid), 0.1)
    assert [s.kind for s in spots] == ["low"]
    assert deviation_volume_mm3(SampledField(X, Y, off, field.valid)) == pytest.approx(
        np.pi * 40**2 / 2, rel=1e-3)


def test_slope_deviation_of_a_paraboloid_is_exact():
    """[d(x + L/2) - d(x - L/2)]/L = 2 c x for d = c x^2, whatever L; 20 is no multiple of 1.5."""
    x, y = np.arange(-60.0, 61.0, 1.5), np.arange(-45.0, 46.0, 1.5)
    field = sampled(lambda x, y: 1e-3 * (x**2 + 2 * y**2) + 0.2 * x, x=x, y=y)
    slope = slope_deviation(field, 20.0)
    xx, yy = np.meshgrid(x, y)
    fits = (np.abs(xx) <= 50.0) & (np.abs(yy) <= 35.0)
    assert (np.isfinite(slope) == fits).all()
    wanted = 1000 * np.hypot(2e-3 * xx + 0.2, 4e-3 * yy)
    np.testing.assert_allclose(slope[fits], wanted[fits], rtol=1e-9)


def test_slope_deviation_of_a_wave_is_weakened_as_it_must_be():
    """d = A sin(k x): |s| = A k |sinc(k L/2) cos(k x)| by the addition theorem."""
    amplitude, k, base = 0.05, 2 * np.pi / 60.0, 20.0
    field = sampled(lambda x, y: amplitude * np.sin(k * x) + 0 * y)
    slope = slope_deviation(field, base)
    wanted = 1000 * amplitude * k * np.sin(k * base / 2) / (k * base / 2)
    assert np.nanmax(slope) == pytest.approx(wanted, rel=1e-4)


def test_slope_needs_all_feet_on_the_panel():
    field = sampled(lambda x, y: 0.01 * x, valid=lambda x, y: x**2 + y**2 < 80**2)
    slope = slope_deviation(field, 20.0)
    xx, yy = np.meshgrid(X, Y)
    feet = ((np.abs(xx) + 10) ** 2 + yy**2 < 80**2) & (xx**2 + (np.abs(yy) + 10) ** 2 < 80**2)
    assert (np.isfinite(slope) == feet).all()
    with pytest.raises(InputError, match="base length"):
        slope_deviation(field, 500.0)
    with pytest.raises(InputError, match="base length"):
        slope_deviation(field, 0.0)


@pytest.mark.parametrize(("height", "sigma", "flat", "word"), [
    (0.09, 60.0, True, "no spot and no slope"),
    (0.11, 60.0, False, "1 spot outside"),
    (0.09, 15.0, False, "slope"),
])
def test_verdict(height, sigma, flat, word):
    """A Gaussian's steepest [d(x + 10) - d(x - 10)]/20 is found by scipy's scalar search."""
    verdict = flatness(sampled(gauss(height, 0, 0, sigma, sigma)))
    assert verdict.flat is flat
    assert word in verdict.reason
    assert (verdict.max_high_mm, verdict.max_low_mm) == pytest.approx((height, 0.0))
    d = gauss(height, 0, 0, sigma, sigma)
    steepest = minimize_scalar(lambda x: (d(x + 10.0, 0.0) - d(x - 10.0, 0.0)) / 20.0,
                               bounds=(0.0, 3.0 * sigma), method="bounded")
    assert verdict.slope_mrad == pytest.approx(-1000.0 * steepest.fun, rel=1e-3)


def test_volumes_and_improvement():
    """Gaussian volume 2 pi sx sy h; paraboloid cap pi a^2 h / 2; lows and highs both count."""
    before = sampled(lambda x, y: gauss(-2.0, -60, 0, 12, 15)(x, y) + cap(1.0, 80, 0, 40)(x, y))
    volume = 2 * np.pi * 12 * 15 * 2.0 + np.pi * 40**2 / 2
    assert deviation_volume_mm3(before) == pytest.approx(volume, rel=1e-3)
    after = sampled(gauss(-2.0, -60, 0, 12, 15))
    assert improvement_raw_pct(before, after) == pytest.approx(
        100 * (np.pi * 40**2 / 2) / volume, rel=2e-3)
    assert improvement_pct(before, before) == 0.0
    assert improvement_pct(after, before) < 0.0
    zero = SampledField(X, Y, np.zeros((len(Y), len(X))))
    assert improvement_pct(before, zero) == 100.0
    assert slope_improvement_pct(before, zero) == 100.0
    assert np.isnan(improvement_pct(zero, before))
    half = SampledField(X, Y, 0.25 * before.d_mm)
    assert slope_improvement_pct(before, half) == pytest.approx(75.0)


def test_volume_beyond_the_tolerance():
    """Beyond t: of a Gaussian 2 pi sx sy (h - t - t ln(h/t)), of a paraboloid cap
    pi a^2 (h - t)^2 / (2 h); both by elementary integration."""
    t, h = 0.25, 2.0
    both = sampled(lambda x, y: gauss(-h, -60, 0, 12, 15)(x, y) + cap(1.0, 80, 0, 40)(x, y))
    dented = 2 * np.pi * 12 * 15 * (h - t - t * np.log(h / t))
    raised = np.pi * 40**2 * (1.0 - t) ** 2 / 2
    assert excess_volume_mm3(both, t) == pytest.approx(dented + raised, rel=2e-3)
    after = sampled(gauss(-h, -60, 0, 12, 15))
    assert improvement_pct(both, after, t) == pytest.approx(
        100 * raised / (dented + raised), rel=5e-3)
    shallow = sampled(gauss(-0.9 * t, 0, 0, 60, 60))
    assert improvement_pct(both, shallow, t) == 100.0
    assert improvement_raw_pct(both, shallow) < 0.0


def test_what_is_left_beyond_the_limits():
    """A plateau of height 3 t far from its rim: u = 3, so (3 - 1)^2 = 4 an mm^2; a plane of slope
    s everywhere: u = max(|d|/t, s/limit)."""
    flat_top = SampledField(X, Y, np.full((len(Y), len(X)), 0.3))
    area = (X[-1] - X[0]) * (Y[-1] - Y[0])
    assert left_mm2(flat_top, 0.1, 2.0) == pytest.approx(4.0 * area, rel=1e-9)
    tilted = sampled(lambda x, y: 0.006 * x + 0.0 * y)
    inner = limit_use(tilted, 1.0, 2.0)[len(Y) // 2, len(X) // 2 - 1 : len(X) // 2 + 2]
    assert inner == pytest.approx(np.full(3, 3.0), rel=1e-9)


def test_crown_ring_of_a_bowl_with_a_known_crown():
    """The bowl's formula puts the crown at s = 1 + 1/b, its height exactly at crown_mm."""
    bowl = Bowl(12.4, -8.3, 3.0, 80.0, 60.0, 0.0, 0.25)
    field = sampled(bowl)
    ring = crown_ring(field, find_spots(field, 0.1)[0])
    assert ring is not None
    assert ring.height_mm == pytest.approx(0.25, rel=1e-4)
    assert ring.mean_mm == pytest.approx(0.25, rel=1e-3)
    t = np.radians(ring.angle_deg)
    one = 1.0 / np.hypot(np.cos(t) / 40.0, np.sin(t) / 30.0)
    np.testing.assert_allclose(ring.rim_mm, one, rtol=5e-3)
    np.testing.assert_allclose(ring.ring_mm, one * np.sqrt(1 + 1 / decay_of(bowl)), rtol=0.02)
    assert ring.low_mm == pytest.approx(-3.0, abs=1e-3)


def test_no_crown_where_nothing_rises():
    field = sampled(lambda x, y: -1.0 - gauss(1.0, 0, 0, 30, 30)(x, y))
    assert crown_ring(field, find_spots(field, 0.1)[0]) is None


def test_crown_relaxation_of_a_known_step():
    """Crown ring lowered by 0.1 everywhere, the centre raised by 0.5: 5 mm per mm."""
    bowl = Bowl(0.0, 0.0, 3.0, 60.0, 60.0, 0.0, 0.3)
    before = sampled(bowl)
    ring = crown_ring(before, find_spots(before, 0.1)[0])
    assert ring is not None
    raised = gauss(0.6, 0, 0, 8, 8)
    after = sampled(lambda x, y: bowl(x, y) - 0.1 + raised(x, y))
    change = crown_relaxation(before, after, ring)
    assert change.start_mm == pytest.approx(0.3, rel=1e-4)
    assert change.end_mm == pytest.approx(0.2, rel=1e-3)
    assert change.highest_mm == pytest.approx(-0.1, rel=1e-3)
    assert change.mean_mm == pytest.approx(-0.1, rel=1e-3)
    assert change.low_rise_mm == pytest.approx(0.5, rel=1e-6)
    assert change.rise_per_highest == pytest.approx(5.0, rel=1e-3)
    assert change.rise_per_mean == pytest.approx(5.0, rel=1e-3)
    assert highest_in_band(after, ring) == change.end_mm
    still = crown_relaxation(before, before, ring)
    assert (still.rise_per_highest, still.rise_per_mean, still.low_rise_mm) == (None, None, 0.0)


def test_area_strain_and_stretch():
    """E = (F^T F - 1)/2: the area ratio is det F for any in-plane F."""
    f = np.random.default_rng(2).normal(0, 0.05, (20, 2, 2)) + np.eye(2)
    e = 0.5 * (np.swapaxes(f, 1, 2) @ f - np.eye(2))
    strain = area_strain(np.stack([e[:, 0, 0], e[:, 1, 1], e[:, 0, 1]], axis=-1))
    np.testing.assert_allclose(strain, np.linalg.det(f) - 1, rtol=1e-10)
    area = np.linspace(1.0, 2.0, 20)
    assert stretch_mm2(strain, area) == pytest.approx(float(area @ (np.linalg.det(f) - 1)))
    with pytest.raises(ValueError, match="shape"):
        stretch_mm2(strain, area[:-1])


@pytest.mark.parametrize(("x", "y", "d"), [
    (X, Y, np.zeros((len(X), len(Y)))),
    (X**3, Y, np.zeros((len(Y), len(X)))),
    (X[::-1], Y, np.zeros((len(Y), len(X)))),
    (X, Y, np.full((len(Y), len(X)), np.nan)),
])
def test_fields_that_are_none(x, y, d):
    with pytest.raises(ValueError, match=r"shape|spaced|finite"):
        SampledField(x, y, d)
