"""Powers of eight floats at once. Truth: Python's decimal, 40 digits, and numpy (PUBLIC code)."""

from __future__ import annotations

from decimal import Decimal, getcontext

import numpy as np
import pytest
from numba import njit

from simkit.kernels.powers import exp8, log8, pow8
from simkit.kernels.simd import address, broadcast8, load8, store8

LAST_PLACES = 3 * 2.0**-52


@njit
def _run(x, to, n, what):
    for k in range(0, x.size, 8):
        value = load8(address(x) + 8 * k)
        if what == 0:
            value = log8(value)
        elif what == 1:
            value = exp8(value)
        else:
            value = pow8(value, broadcast8(n))
        store8(address(to) + 8 * k, value)


def found(x, what, n=0.0):
    result = np.empty_like(x)
    _run(x, result, n, what)
    return result


@pytest.fixture(autouse=True)
def digits():
    getcontext().prec = 40


def test_logarithm():
    """Also near 1, where it is small, and at powers of two."""
    rng = np.random.default_rng(1)
    x = np.concatenate([10.0 ** rng.uniform(-300, 300, 400), 1.0 + rng.uniform(-1e-3, 1e-3, 400),
                        2.0 ** np.arange(-8.0, 8.0)])
    true = np.array([float(Decimal(v).ln()) for v in x])
    small = np.abs(true) < 1e-300
    np.testing.assert_allclose(found(x, 0)[~small], true[~small], rtol=LAST_PLACES)
    assert np.all(found(x, 0)[small] == 0.0)


def test_exponential():
    x = np.random.default_rng(2).uniform(-600.0, 600.0, 800)
    x[:8] = 0.0, 1.0, -1.0, 1e-12, -1e-12, 0.5, 0.34657359, -0.34657360
    true = np.array([float(Decimal(v).exp()) for v in x])
    np.testing.assert_allclose(found(x, 1), true, rtol=LAST_PLACES)


@pytest.mark.parametrize("n", [0.05, 0.2, 0.9])
def test_powers_as_hardening_laws_have_them(n):
    x = 10.0 ** np.random.default_rng(3).uniform(-5.0, 1.0, 800)
    # the rounding of the logarithm, at most 11.5 here, becomes a relative error
    np.testing.assert_allclose(found(x, 2, n), x**n, rtol=4.0 * LAST_PLACES)
