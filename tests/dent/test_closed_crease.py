"""A small closed crease outline is read: what is alike round a short ring needs care."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.dent.outlines import root_of


def ring(count: int, alike: float) -> np.ndarray:
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    far = np.minimum(apart, count - apart) / alike
    return (1.0 + far) * np.exp(-far)


@pytest.mark.parametrize(("count", "alike"), [(8, 0.4), (16, 0.8)])
def test_the_root_of_a_long_ring_is_that_of_its_matrix(count: int, alike: float) -> None:
    matrix = ring(count, alike)
    root = root_of(matrix)
    assert np.abs(root @ root.T - matrix).max() < 1.1e-9


@pytest.mark.parametrize(("count", "alike"), [(6, 4.0), (8, 20.0), (24, 30.0)])
def test_a_short_ring_has_the_nearest_matrix(count: int, alike: float) -> None:
    """A circulant's eigenvalues are the discrete Fourier transform of its first row; the nearest
    positive semi-definite matrix has the negative ones at zero (Higham 1988; MEMORY)."""
    matrix = ring(count, alike)
    values = np.fft.fft(matrix[0]).real
    assert values.min() < -1e-9  # so that there is something to mend
    nearest = np.fft.ifft(np.maximum(values, 0.0)).real
    root = root_of(matrix)
    assert np.abs((root @ root.T)[0] - nearest).max() < 2e-9
