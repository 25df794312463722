"""Histories of deep damage.

Truth: exact for families and descent (made-up linear shapes); OWN for the way back (dents struck by
the engine itself on another mesh).
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simkit.case.load import load_case
from simkit.history.deep.descent import Found, descend, moved, names_of
from simkit.history.deep.explain import is_deep
from simkit.history.deep.family import Family, Fit
from simkit.history.given import field_of_state, strike_given
from simkit.history.reconstruct import reconstruct
from simkit.history.strike import FORCE_N, Blow, set_body, strike
from simkit.mechanics.stepping.orders import AdvanceSettings
from simkit.mechanics.stepping.several import release_at
from simkit.repair.workpiece import Workpiece, make_workpiece
from simkit.underway import Word, heard

BALL = Blow("ball", 30.0, 10.0, -5.0, -1.0)
PANEL = {"surface": "curved", "radius_x_mm": 900, "radius_y_mm": 500, "length_x_mm": 280,
         "length_y_mm": 240, "thickness_mm": 0.8, "grade": "DC04"}
TRUE = {"body": "ball", "radius_mm": 30, "x_mm": 10, "y_mm": -5, "travel_mm": 11.0}


def work_of(folder: Path, fine_mm: float, dent: dict) -> Workpiece:
    text = {"format": 1, "title": "Deep", "about": "Invented for the tests.", "panel": PANEL,
            "mesh": {"fine_mm": fine_mm, "coarse_mm": 24, "layers": 3}, "dent": dent}
    (folder / "case.yaml").write_text(json.dumps(text), encoding="utf-8")
    return make_workpiece(load_case(folder))


def test_a_family_is_interpolated_on_one_stair_only() -> None:
    shape = np.array([1.0, 0.5, 0.2])
    travels = np.array([2.0, 4.0, 6.0, 8.0])
    family = Family(BALL, travels, -np.outer([1.0, 2.0, 12.0, 14.0], shape))
    between = family.nearest(-13.0 * shape)
    assert between is not None
    assert between.travel_mm == pytest.approx(7.0)
    assert between.rms_mm == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose(between.rate, -shape)
    # 7 mm lie in the jump from 2 to 12: no shape between them ever was
    in_the_jump = family.nearest(-6.0 * shape)
    assert in_the_jump is not None
    assert in_the_jump.rms_mm > 3.0 * np.sqrt(np.mean(shape**2))


def test_descent_finds_the_numbers_of_a_linear_shape() -> None:
    rng = np.random.default_rng(4)
    slopes, rate = rng.normal(size=(40, 4)), rng.normal(size=40)
    start = (replace(BALL, kind="cylinder", length_mm=100.0, travel_mm=9.0),)
    true = replace(start[0], x_mm=16.0, y_mm=-14.0, angle_deg=9.0, length_mm=120.0, travel_mm=12.0)

    def shape_of(blow: Blow) -> np.ndarray:
        numbers = np.array([blow.x_mm, blow.y_mm, blow.angle_deg, 24.0 * np.log(blow.length_mm)])
        return slopes @ numbers + rate * (blow.travel_mm or 0.0)

    wanted = shape_of(true)

    def measure(blows: tuple[Blow, ...]) -> tuple[tuple[Blow, ...], Fit]:
        gap = wanted - shape_of(blows[-1])
        more = float(gap @ rate / (rate @ rate))
        found = replace(blows[-1], travel_mm=(blows[-1].travel_mm or 0.0) + more)
        d = shape_of(found)
        rms = float(np.sqrt(np.mean((d - wanted) ** 2)))
        return (found,), Fit(found.travel_mm or 0.0, d, rate, rms, True)

    names = names_of(start)
    unit = slopes * np.array([6.0, 6.0, 8.0, 6.0])
    unit -= np.outer(rate, rate @ unit) / (rate @ rate)
    found = descend(measure, wanted, Found(*measure(start), unit, names), 12, 1e-6)
    assert found.blows[0].x_mm == pytest.approx(16.0, abs=0.05)
    assert found.blows[0].y_mm == pytest.approx(-14.0, abs=0.05)
    assert found.blows[0].travel_mm == pytest.approx(12.0, abs=0.05)
    assert found.blows[0].length_mm == pytest.approx(120.0, rel=0.01)
    assert moved(start, names, np.zeros(4))[0].length_mm == pytest.approx(100.0)


def test_numbers_that_no_reading_shows_stay_where_they_were_seen() -> None:
    rng = np.random.default_rng(5)
    toward_x, rate = rng.normal(size=30), rng.normal(size=30)
    toward_x -= rate * (rate @ toward_x) / (rate @ rate)
    known = (replace(BALL, kind="cylinder", length_mm=100.0, travel_mm=9.0),)

    def measure(blows: tuple[Blow, ...]) -> tuple[tuple[Blow, ...], Fit]:
        d = toward_x * (blows[0].x_mm - 16.0)  # 0 is wanted: x is 16
        return blows, Fit(9.0, d, rate, float(np.sqrt(np.mean(d**2))), True)

    names = names_of(known)
    slopes = np.zeros((30, len(names)))
    slopes[:, names.index((0, "x_mm"))] = 6.0 * toward_x
    far = (replace(known[0], y_mm=9.0, angle_deg=20.0, length_mm=130.0),)
    start = Found(*measure(far), slopes, names)
    found = descend(measure, np.zeros(30), start, 12, 1e-6, known).blows[0]
    assert found.x_mm == pytest.approx(16.0, abs=0.5)
    assert found.y_mm == pytest.approx(known[0].y_mm, abs=2.0)
    assert found.angle_deg == pytest.approx(known[0].angle_deg, abs=3.0)
    assert found.length_mm == pytest.approx(100.0, rel=0.06)
    left = descend(measure, np.zeros(30), start, 12, 1e-6).blows[0]
    assert (left.y_mm, left.length_mm) == (9.0, 130.0)


@pytest.fixture(scope="module")
def struck(tmp_path_factory) -> tuple[Path, float]:
    """Readings off a dent struck on a mesh of its own, with noise; and its depth."""
    folder = tmp_path_factory.mktemp("deep")
    truth = work_of(folder, 11.0, {"blows": [TRUE]})
    assert truth.case.dent is not None
    field = field_of_state(truth, strike_given(truth, truth.case.dent.blows or ()).state)
    rng = np.random.default_rng(6)
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-120, 120, 11), np.linspace(-100, 100, 9)))
    d = field(x, y) + rng.normal(0.0, 0.02, x.shape)
    np.savetxt(folder / "depth.csv", np.stack([x, y, d], 1), delimiter=",",
               header="x_mm,y_mm,d_mm", comments="", fmt="%.3f")
    return folder, -field.lowest_mm


def test_a_deep_dent_is_traced_back_to_its_blow(struck, tmp_path) -> None:
    folder, depth = struck
    work = work_of(folder, 13.0, {"points_csv": "depth.csv", "noise_mm": 0.02})
    assert is_deep(work)
    words: list[Word] = []
    with heard(words.append):
        done = reconstruct(work, store=tmp_path)
    assert done.method == "strike"
    assert done.matched, done.sentence()
    assert done.rms_mm < 0.015 * depth
    blow = done.blows[0]
    assert np.hypot(blow.x_mm - 10.0, blow.y_mm + 5.0) < 6.0
    assert blow.travel_mm == pytest.approx(11.0, rel=0.08)
    assert done.rounds == 0
    again: list[str] = []
    assert reconstruct(work, progress=again.append, store=tmp_path).rms_mm == pytest.approx(
        done.rms_mm, abs=1e-9)
    assert any(word.text.startswith("loading 1, to ") for word in words)


def test_releases_on_the_way_are_those_of_loadings_of_their_own(tmp_path) -> None:
    """Exact up to the increments: letting go aside changes nothing of the loading."""
    work = work_of(tmp_path, 16.0, {"blows": [TRUE]})
    settings = AdvanceSettings(first_mm=0.3, largest_mm=0.5)
    start = work.model.virgin()
    tool = set_body(work, start, BALL, 6.0)
    last = list(release_at(work.model, start, tool, [2.0, 4.0, 6.0], settings, FORCE_N))[-1]
    alone = strike(work, start, replace(BALL, travel_mm=6.0), settings)
    assert last.travel_mm == alone.travel_mm == 6.0
    low = alone.state.displacement[:, 2].min()
    assert last.state.displacement[:, 2].min() == pytest.approx(low, rel=0.02)


def test_a_drawing_is_made_natural(tmp_path) -> None:
    """The shape taken is one that a blow leaves, so its sheet is not stretched."""
    bowl = {"kind": "bowl", "x_mm": 5, "y_mm": 0, "depth_mm": 5, "length_mm": 110,
            "width_mm": 80}
    work = work_of(tmp_path, 18.0, {"shapes": [bowl], "natural": True})
    done = reconstruct(work)
    assert (done.method, done.matched) == ("natural", True)
    assert "made natural by" in done.sentence()
    assert "stretched" not in done.sentence()
    left = work.sampling.field(done.state).d_mm
    assert np.nanmin(left) < -2.0  # a dent; how deep, the sheet decides
