"""Search for the history of a dent and what its doubt means.

Truth: OWN, dents struck by the engine itself on another mesh; what is tested is the way back.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from simkit.case.load import load_case
from simkit.history import reconstruct as module
from simkit.history.plausible import band, plainest, plausible
from simkit.history.reconstruct import histories, realise
from simkit.history.search import Bounds, Low, find_low, search, starts
from simkit.history.strike import Blow
from simkit.history.trials import FAILED_MISFIT_MM, Trial, Trials, carry_out
from simkit.repair.workpiece import make_workpiece

TRUE = Blow("ball", 15.0, 8.0, -5.0, -1.5)
PANEL = {"surface": "flat", "length_x_mm": 160, "length_y_mm": 140, "thickness_mm": 0.8,
         "grade": "DC04"}
CASE = {"format": 1, "title": "Struck", "about": "Invented for the tests.", "panel": PANEL,
        "mesh": {"fine_mm": 9, "coarse_mm": 18, "layers": 3},
        "dent": {"points_csv": "depth.csv", "noise_mm": 0.02},
        "history": {"method": "strike", "rounds": 2,
                    "striker": {"kind": "ball", "radius_min_mm": 8, "radius_max_mm": 40}},
        "kit": {"tabs": ["round-30"], "tips": ["ball-12"], "glue": "standard-hot-melt"}}


@pytest.fixture(scope="module")
def struck(tmp_path_factory):
    """A case whose depths were read, with noise, off a panel struck on a mesh of its own."""
    folder = tmp_path_factory.mktemp("struck")
    described = {**CASE, "mesh": {"fine_mm": 7, "coarse_mm": 14, "layers": 3},
                 "dent": {"shapes": [{"kind": "bowl", "x_mm": 8, "y_mm": -5, "length_mm": 60,
                                      "width_mm": 60, "depth_mm": 1.5}]}}
    (folder / "case.yaml").write_text(json.dumps(described), encoding="utf-8")
    truth = make_workpiece(load_case(folder))
    state = carry_out(truth, (TRUE,))
    assert state is not None
    d = truth.sampling.field(state)
    rng = np.random.default_rng(5)
    xx, yy = np.meshgrid(d.x_mm[::2], d.y_mm[::2])
    depth = d.d_mm[::2, ::2] + rng.normal(0.0, 0.02, xx.shape)
    np.savetxt(folder / "depth.csv", np.stack([xx.ravel(), yy.ravel(), depth.ravel()], 1),
               delimiter=",", header="x_mm,y_mm,d_mm", comments="", fmt="%.4f")
    (folder / "case.yaml").write_text(json.dumps(CASE), encoding="utf-8")
    return folder, make_workpiece(load_case(folder))


@pytest.fixture(scope="module")
def found(struck, tmp_path_factory):
    store = tmp_path_factory.mktemp("trials")
    return histories(struck[1], store=store), store


def test_the_place_and_depth_of_a_blow_are_found(found):
    blow = found[0][0][0].trial.blows[0]
    assert np.hypot(blow.x_mm - TRUE.x_mm, blow.y_mm - TRUE.y_mm) < 1.5
    assert blow.depth_mm == pytest.approx(TRUE.depth_mm, abs=0.12)


def test_plausible_histories_differ_and_their_weights_add_up(found):
    members = found[0][0]
    assert sum(m.weight for m in members) == pytest.approx(1.0)
    radii = [m.trial.blows[0].radius_mm for m in members]
    assert len(radii) > 1
    assert min(abs(np.log(a / b)) for k, a in enumerate(radii) for b in radii[:k]) > 0.3


def test_an_interrupted_search_goes_on_where_it_was(struck, found, monkeypatch):
    (members, tried), store = found

    def again(*_, **__):
        raise AssertionError("a kept trial was carried out again")

    monkeypatch.setattr("simkit.history.trials.carry_out", again)
    repeated, tried_again = histories(struck[1], store=store)
    assert tried_again == tried
    assert [m.trial.blows for m in repeated] == [m.trial.blows for m in members]


def test_a_damaged_store_is_not_believed(struck, tmp_path):
    trials = Trials(struck[1], lambda text: None, tmp_path)
    first = trials.attempt(TRUE)
    (file,) = tmp_path.glob("*.npz")
    file.write_bytes(file.read_bytes()[:40])
    assert trials.attempt(TRUE).rms_mm == first.rms_mm


def test_the_history_carried_out_in_full_matches_the_depths(struck, found):
    made = realise(struck[1], found[0][0][0].trial.blows)
    assert made is not None
    assert made.rms_mm < 0.05
    assert made.method == "strike"


def test_a_low_that_was_not_struck_from_that_side_has_no_history(struck):
    work = struck[1]
    assert work.depth is not None
    raised = replace(work, depth=replace(work.depth, depth=lambda x, y: np.exp(
        -(np.asarray(x) ** 2 + np.asarray(y) ** 2) / 400.0)))
    assert histories(raised) == ((), 0)


def test_every_kind_of_body_strikes(struck):
    trials = Trials(struck[1], lambda text: None)
    blows = [replace(TRUE, kind="cylinder", radius_mm=12.0, length_mm=60.0, angle_deg=30.0),
             replace(TRUE, kind="edge", radius_mm=4.0, length_mm=40.0, tilt_across_deg=8.0),
             replace(TRUE, kind="block", radius_mm=4.0, length_mm=30.0, width_mm=20.0),
             replace(TRUE, kind="disc", radius_mm=4.0, width_mm=40.0)]
    done = [trials.attempt(blow) for blow in blows]
    assert all(trial.valid for trial in done)
    assert len({round(trial.rms_mm, 4) for trial in done}) == 4
    lows = [find_low(trials, -1.0, trial.d_mm) for trial in done]
    assert lows[0].length_mm > 1.1 * lows[0].width_mm
    assert abs(lows[0].angle_deg % 180.0 - 30.0) < 15.0


def test_a_disc_is_the_same_turned_and_leaves_a_flatter_floor_than_a_ball(struck):
    trials = Trials(struck[1], lambda text: None)
    disc = replace(TRUE, kind="disc", radius_mm=3.0, width_mm=50.0)
    flat, turned, ball = (trials.attempt(blow) for blow in (
        disc, replace(disc, angle_deg=40.0), TRUE))
    np.testing.assert_allclose(turned.d_mm, flat.d_mm, atol=2e-3)
    floor = np.hypot(trials.x - TRUE.x_mm, trials.y - TRUE.y_mm) < 15.0
    assert np.ptp(flat.d_mm[floor]) < 0.5 * np.ptp(ball.d_mm[floor])


def test_the_diameter_of_a_disc_is_found(struck):
    trials = Trials(struck[1], lambda text: None)
    true = replace(TRUE, kind="disc", radius_mm=4.0, width_mm=48.0, x_mm=4.0, depth_mm=-2.0)
    trials.wanted = trials.attempt(true).d_mm
    trials.done.clear()  # the truth itself shall not be among the trials
    found = search(trials, Bounds(("disc",), 5.0, 80.0), -1.0)[0]
    assert found.rms_mm < 0.03
    assert found.blows[0].width_mm == pytest.approx(48.0, rel=0.1)
    assert found.blows[0].x_mm == pytest.approx(4.0, abs=1.0)


def trial(kind, radius, rms):
    return Trial((replace(TRUE, kind=kind, radius_mm=radius, width_mm=20.0),), np.zeros(3), rms)


def test_the_plainest_history_as_good_as_the_best_is_taken():
    few = [trial("block", 4.0, 0.010), trial("ball", 10.0, 0.013), trial("cylinder", 9.0, 0.012)]
    assert plainest(few).blows[0].kind == "ball"
    assert plainest([*few[:1], trial("ball", 10.0, 0.030)]).blows[0].kind == "block"


def test_what_misses_by_far_is_not_plausible():
    few = [trial("ball", 10.0, 0.010), trial("ball", 30.0, 0.020), trial("ball", 80.0, 0.200)]
    members = plausible(few)
    assert [m.trial.blows[0].radius_mm for m in members] == [10.0, 30.0]
    assert members[0].weight > members[1].weight


def test_a_band_is_the_range_of_its_histories_and_the_room_asked_for():
    seen = band([1.0, 2.0, 9.0], [0.5, 0.5, 0.001], 0.1)
    middle = (0.5 + 1.0 + 0.009) / 1.001
    assert (seen.low_mm, seen.high_mm) == (pytest.approx(1.0 - 0.1 * middle),
                                           pytest.approx(2.0 + 0.1 * middle))
    alone = band([-2.0], [1.0], 0.15)
    assert alone.high_mm - alone.low_mm == pytest.approx(0.6)


def test_a_blow_without_a_balance_is_no_result(struck, monkeypatch):
    monkeypatch.setattr("simkit.history.trials.carry_out", lambda *_, **__: None)
    failed = Trials(struck[1], lambda text: None).attempt(TRUE)
    assert failed.rms_mm == FAILED_MISFIT_MM
    assert not failed.valid
    monkeypatch.setattr(module, "carry_out", lambda *_: None)
    assert realise(struck[1], (TRUE,)) is None


@pytest.mark.parametrize(("kind", "low_mm", "high_mm"), [
    ("edge", 5.0, 80.0), ("cylinder", 5.0, 80.0), ("cylinder", 40.0, 80.0), ("disc", 5.0, 80.0),
    ("block", 5.0, 80.0)])
def test_a_body_that_was_named_is_tried_on_a_round_low_too(kind, low_mm, high_mm):
    blows = starts(Low(0.0, 0.0, -1.0, 0.0, 40.0, 40.0), Bounds((kind,), low_mm, high_mm))
    assert blows
    assert {blow.kind for blow in blows} == {kind}
