"""Readings after a step weigh histories; wrong readings are named.

Truth: Gaussians with known answers; Bayes' rule by summation over the strength on a fine grid.
"""

from __future__ import annotations

import numpy as np
import pytest

from simkit.history.learning import (
    CHANGE_STANDARD_ERROR,
    STRENGTH_STANDARD_ERROR,
    learn,
    telling_places,
)
from simkit.study.readings import as_readings

CHANGE = np.array([[0.10, 0.20, 0.05, 0.00, 0.02], [0.10, 0.06, 0.03, 0.00, 0.02],
                   [0.12, 0.40, 0.20, 0.00, 0.03]])
STANDING = np.array([[-0.5, -2.0, 0.2, 0.0, 0.1]] * 3)
BELIEF = np.array([0.4, 0.35, 0.25])


def test_weights_are_those_of_bayes_rule_summed_over_the_strength():
    read = STANDING[0] + np.array([0.11, 0.11, 0.03, 0.01, 0.02])
    found = learn(STANDING, CHANGE, read, BELIEF, 0.02)
    s = np.linspace(-2.0, 4.0, 20001)
    posterior = []
    for c, b, w in zip(CHANGE, STANDING, BELIEF, strict=True):
        error2 = 0.02**2 + (CHANGE_STANDARD_ERROR * c) ** 2
        gap = read - b - s[:, None] * c
        like = np.exp(-0.5 * (gap**2 / error2 + np.log(2 * np.pi * error2)).sum(axis=1))
        posterior.append(w * (like * np.exp(-0.5 * ((s - 1) / STRENGTH_STANDARD_ERROR) ** 2)).sum())
    assert found.weights == pytest.approx(np.array(posterior) / sum(posterior), rel=1e-6)
    assert not found.foreign
    assert found.slips == ()


def test_the_sheet_is_learned_as_by_bayes_rule_on_a_grid():
    thicker = np.array([-0.01, -0.06, 0.02, 0.0, 0.01])
    read = STANDING[0] + CHANGE[0] + 1.5 * thicker
    found = learn(STANDING, CHANGE, read, BELIEF, 0.02, sheet_mm=[thicker])
    s, e = np.meshgrid(np.linspace(-1.0, 3.0, 401), np.linspace(-6.0, 6.0, 401))
    posterior, sheet = [], []
    for c, b, w in zip(CHANGE, STANDING, BELIEF, strict=True):
        error2 = 0.02**2 + (CHANGE_STANDARD_ERROR * c) ** 2
        gap = read - b - s[..., None] * c - e[..., None] * thicker
        like = -0.5 * (gap**2 / error2 + np.log(error2)).sum(axis=-1)
        like = np.exp(like - 0.5 * ((s - 1) / STRENGTH_STANDARD_ERROR) ** 2 - 0.5 * e**2)
        posterior.append(w * like.sum())
        sheet.append((like * e).sum() / like.sum())
    assert found.weights == pytest.approx(np.array(posterior) / sum(posterior), rel=1e-3)
    assert [one[0] for one in found.sheet] == pytest.approx(sheet, abs=2e-3)


@pytest.mark.parametrize("true", [0, 1, 2])
def test_the_true_history_is_found_although_the_step_was_stronger(true):
    rng = np.random.default_rng(true)
    read = STANDING[0] + 1.1 * CHANGE[true] + rng.normal(0.0, 0.02, 5)
    found = learn(STANDING, CHANGE, read, BELIEF, 0.02)
    assert int(np.argmax(found.weights)) == true
    assert found.weights[true] > 0.85
    assert found.strength[true] == pytest.approx(1.1, abs=0.25)


@pytest.mark.parametrize("k", range(5))
def test_a_slip_of_a_millimetre_is_named_and_changes_nothing(k):
    read = STANDING[0] + CHANGE[0]
    slipped = read.copy()
    slipped[k] += 1.0
    clean = learn(np.delete(STANDING, k, 1), np.delete(CHANGE, k, 1), np.delete(read, k), BELIEF,
                  0.02)
    found = learn(STANDING, CHANGE, slipped, BELIEF, 0.02)
    assert found.slips == (k,)
    assert found.weights == pytest.approx(clean.weights)


def test_another_panels_readings_are_not_believed():
    read = STANDING[0] + np.array([0.9, 0.4, -0.6, 0.5, -0.8])
    found = learn(STANDING, CHANGE, read, BELIEF, 0.02)
    assert found.foreign
    assert found.weights == pytest.approx(BELIEF)


def test_the_place_where_histories_differ_is_the_most_telling():
    at = np.column_stack([20.0 * np.arange(5), np.zeros(5)])
    places, certainty = telling_places(CHANGE, BELIEF, 0.02, at, count=3)
    assert places[0] == 1
    assert 3 not in places
    assert 0.8 < certainty < 1.0
    assert telling_places(CHANGE[[0, 0]], [0.5, 0.5], 0.02, at)[1] == 0.0


@pytest.mark.parametrize("true", [0, 1, 2])
def test_readings_before_and_after_are_free_of_the_error_of_the_shape(true):
    """The reconstructed shape is wrong by up to 0.05 mm: readings after the step alone mislead,
    those before and after it with a fine gauge do not."""
    wrong = np.array([[0.05, -0.05, 0.04, -0.03, 0.02]] * 3)
    rng = np.random.default_rng(true)
    rows = np.column_stack([np.arange(5.0), np.zeros(5), STANDING[0],
                            STANDING[0] + CHANGE[true]])
    rows[:, 2:] += rng.normal(0.0, 0.005, (5, 2))
    read = as_readings(rows, 0.005)
    assert read.error_mm == pytest.approx(0.005 * 2**0.5)
    found = learn(read.standing(STANDING + wrong), CHANGE, read.points.d_mm, BELIEF, read.error_mm)
    assert int(np.argmax(found.weights)) == true
    assert found.weights[true] > 2.0 * BELIEF[true]
    alone = as_readings(np.delete(rows, 2, axis=1), 0.005)
    misled = learn(alone.standing(STANDING + wrong), CHANGE, alone.points.d_mm, BELIEF,
                   alone.error_mm)
    assert misled.weights[true] < found.weights[true]
