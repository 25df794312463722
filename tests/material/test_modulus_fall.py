"""Modulus that falls with plastic strain. Truth: derivatives, the balance of energy, closed forms
of unloading in tension and of a strip bent and released (change of curvature = moment over the
integral of E z^2), EXACT; and identities with the law whose modulus stays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.material.anisotropic import update_anisotropic
from simkit.material.criterion import yld2000
from simkit.material.forming import formed_sheet
from simkit.material.hardening import Backstress, ModulusFall, Sheet, Voce
from simkit.material.j2 import state_size, update_point
from simkit.material.packing import pack_sheet

FALL = ModulusFall(0.8, 60.0)
TERM = Backstress(6000.0, 120.0)
PLAIN = Sheet("plain", 70000.0, 0.33, Voce(120.0, 260.0, 14.0), (TERM,))
FALLS = replace(PLAIN, modulus_fall=FALL)
ODD = yld2000(np.array([0.9, 1.05, 0.8, 1.0, 1.02, 0.95, 0.93, 1.2]), 8)


def step(packed, e, old, tangent=True):
    new, t, c = np.empty_like(old), np.empty(3), np.empty((3, 3))
    update_anisotropic(e, old, new, t, c, packed, False, tangent)
    return t, c, new


def stiffness(sheet, p):
    """Stiffness of the s part, and of the d and g parts, by (s, d, g) and conjugate stress."""
    E = sheet.E_MPa * (1.0 if sheet.modulus_fall is None else float(sheet.modulus_fall.at(p)))
    return np.array([0.5 / (1.0 - sheet.nu), 0.5 / (1.0 + sheet.nu), 0.5 / (1.0 + sheet.nu)]) * E


@pytest.mark.parametrize("criterion", [None, ODD])
def test_stress_is_that_of_the_fallen_modulus_and_the_tangent_its_derivative(criterion):
    sheet = replace(FALLS, criterion=criterion)
    packed, rng = pack_sheet(sheet), np.random.default_rng(7)
    for times in (0.5, 3.0, 8.0, 30.0):
        old = np.zeros(state_size(packed))
        old[3], old[5:] = 0.01, rng.normal(0.0, 8.0, 3)
        way = rng.normal(size=3)
        e = 0.003 * times * way / np.linalg.norm(way)
        t, c, new = step(packed, e, old)
        assert t == pytest.approx(stiffness(sheet, new[3]) * (e - new[:3]), rel=1e-10)
        for j in range(3):
            move = 1e-7 * np.eye(3)[j]
            slope = (step(packed, e + move, old)[0] - step(packed, e - move, old)[0]) / 2e-7
            assert slope == pytest.approx(c[:, j], abs=2e-6 * np.abs(c).max())


def test_a_share_of_one_changes_nothing():
    packed = pack_sheet(PLAIN)
    same = pack_sheet(replace(PLAIN, modulus_fall=ModulusFall(1.0, 60.0)))
    rng, old, old_plain = np.random.default_rng(5), np.zeros(8), np.zeros(8)
    for _ in range(10):
        e = rng.normal(0.0, 0.01, 3)
        t, _, old = step(same, e, old)
        new, t2, c2 = np.empty(8), np.empty(3), np.empty((3, 3))
        update_point(e, old_plain, new, t2, c2, packed, np.empty(9), False, True)
        old_plain = new
        assert t == pytest.approx(t2, rel=1e-8, abs=1e-6)
        assert old == pytest.approx(old_plain, rel=1e-8, abs=1e-8)


def uniaxial(packed, strains, state, e):
    """Axial stresses of a strip led through axial strains; also state, strain at the end."""
    axial, across, found = np.array([0.5, 0.5, 0.0]), np.array([1.0, -1.0, 0.0]), []
    for wanted in strains:
        for _ in range(60):
            t, c, new = step(packed, e, state)
            gap = np.array([across @ t, axial @ e - wanted])
            if np.abs(gap).max() < 1e-11:
                break
            e = e.copy()
            e[:2] -= np.linalg.solve(np.vstack([across @ c, axial])[:, :2], gap)
        state = new
        found.append(t[0] + t[1])
    return np.array(found), state, e


def test_a_strip_unloads_along_the_fallen_modulus():
    packed = pack_sheet(FALLS)
    up, state, e = uniaxial(packed, np.linspace(0.0, 0.03, 61)[1:], np.zeros(8), np.zeros(3))
    down, _, _ = uniaxial(packed, [0.0295, 0.029], state, e)
    p = state[3]
    assert (down[0] - down[1]) / 0.0005 == pytest.approx(70000.0 * float(FALL.at(p)), rel=1e-9)
    assert up[-1] == pytest.approx(float(FALLS.hardening.stress(p) + TERM.tension(p)), rel=2e-3)
    assert p == pytest.approx(0.03 - up[-1] / (70000.0 * float(FALL.at(p))), rel=1e-9)


def test_work_is_stored_energy_and_plastic_work():
    """Pulled, pressed, pulled: the balance closes as the steps shrink, with the energy that the
    fall of the modulus takes."""
    packed, errors = pack_sheet(FALLS), []
    for parts in (50, 200):
        legs = (np.linspace(0.0, 0.02, parts + 1), np.linspace(0.02, -0.01, parts + 1),
                np.linspace(-0.01, 0.01, parts + 1))
        state, e, t_old, work = np.zeros(8), np.zeros(3), np.zeros(3), 0.0
        for wanted in np.concatenate([leg[1:] for leg in legs]):
            e_old = e
            _, new, e = uniaxial(packed, [wanted], state, e)
            t, _, _ = step(packed, e, state)
            work += 0.5 * (t + t_old) @ (e - e_old)
            state, t_old = new, t
        stored = 0.5 * t_old @ (e - state[:3])
        errors.append(abs(work - stored - state[4]) / work)
    assert errors[1] < 2e-3
    assert errors[1] < 0.5 * errors[0]


@pytest.mark.parametrize("fall", [None, FALL])
def test_a_bent_strip_springs_back_by_moment_over_the_integral_of_e_z2(fall):
    """1 mm sheet bent to a radius of 25 mm in plane strain, released: elastic release, since the
    moment of a rectangle does not reach reversed yielding here. Closed form: curvature changes by
    M / integral of E(p) / (1 - nu^2) z^2 dz; and for the law whose modulus stays by 12 M (1 - nu^2)
    / (E t^3)."""
    sheet = replace(PLAIN, backstress=(), modulus_fall=fall, criterion=yld2000(np.ones(8), 2))
    packed = pack_sheet(sheet)
    z, w = np.polynomial.legendre.leggauss(41)
    z, w = 0.5 * z, 0.5 * w

    def bent(curvature, states):
        """Moment per width, N, and new states of all layers."""
        moment, after = 0.0, []
        for height, weight, state in zip(z, w, states, strict=True):
            e = np.array([curvature * height, curvature * height, 0.0])  # e11 alone
            t, _, new = step(packed, e, state, False)
            moment += weight * height * (t[0] + t[1])
            after.append(new)
        return moment, after

    states = [np.zeros(5) for _ in z]
    for curvature in np.linspace(0.0, 0.04, 81)[1:]:
        moment, states = bent(curvature, states)
    p = np.array([state[3] for state in states])
    share = np.ones_like(p) if fall is None else fall.at(p)
    rigidity = float((w * z**2 * share).sum()) * 70000.0 / (1.0 - 0.33**2)
    change = moment / rigidity
    left, released = bent(0.04 - change, states)
    assert np.array([state[3] for state in released]) == pytest.approx(p, abs=1e-15)
    assert left == pytest.approx(0.0, abs=1e-9 * moment)
    if fall is None:
        assert change == pytest.approx(12.0 * moment * (1.0 - 0.33**2) / 70000.0, rel=1e-9)
    else:  # between the first and the last modulus; bent so far, nearer to the last
        stays = 12.0 * moment * (1.0 - 0.33**2) / 70000.0
        assert 1.1 * stays < change < stays / fall.share


def test_forming_leaves_the_rest_of_the_fall():
    formed = formed_sheet(FALLS, 0.02, 0.0)
    p = np.array([0.0, 0.01, 0.1])
    assert formed.E_MPa * formed.modulus_fall.at(p) == pytest.approx(
        70000.0 * FALL.at(0.02 + p), rel=1e-12)


@pytest.mark.parametrize("numbers", [(0.0, 10.0), (1.2, 10.0), (0.8, 0.0), (0.8, np.inf)])
def test_what_cannot_fall_so_is_refused(numbers):
    with pytest.raises(InputError):
        ModulusFall(*numbers)
