"""Maps of the sheet by elements: plastic strain, residual stress, thinning, paint strain."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.model import Model, State
from simkit.shell.strains import face_strain, shell_strains

Array = NDArray[np.float64]


def sheet_maps(model: Model, state: State) -> dict[str, Array]:
    """Maps of a state, each (elements in u, elements in v).

    plastic_strain : largest equivalent plastic strain of any layer point of the element.
    thinning_pct : mean loss of thickness by plastic strain (at constant volume).
    paint_strain : largest principal strain of the outer face since the undamaged sheet.
    residual_outer_MPa, residual_inner_MPa : mean von Mises stress (Kirchhoff) of the outermost
        and innermost layer, with no tool on the panel.
    """
    basis = model.patch.basis_u, model.patch.basis_v
    strains = shell_strains(model.patch.control + state.displacement, basis[1].count,
                            basis[1].elements, model.geometry)
    heights = model.thickness_mm * model.layers.heights
    surplus = state.points[..., 0] @ model.layers.weights
    maps = {
        "plastic_strain": state.points[..., 3].max(axis=(1, 2)),
        "thinning_pct": 100.0 * (1.0 - np.exp(-surplus)).mean(axis=1),
        "paint_strain": face_strain(strains, 0.5 * model.thickness_mm).max(axis=1),
        "residual_outer_MPa": _mises(model, strains, state, heights, -1).mean(axis=1),
        "residual_inner_MPa": _mises(model, strains, state, heights, 0).mean(axis=1),
    }
    shape = basis[0].elements, basis[1].elements
    return {name: values.reshape(shape) for name, values in maps.items()}


def _mises(model: Model, strains: Array, state: State, heights: Array, layer: int) -> Array:
    """Von Mises stress (elements, Gauss points) at a layer, MPa; plane stress, in (s, d, g):
    sqrt(S^2 / 4 + 3/4 D^2 + 3 s12^2) with S = s11 + s22 and D = s11 - s22."""
    total = log_strain_of(strains[..., :3] + heights[layer] * strains[..., 3:])
    elastic = total - state.points[:, :, layer, :3]
    E, nu, fall = model.sheet.E_MPa, model.sheet.nu, model.sheet.modulus_fall
    if fall is not None:
        elastic = elastic * fall.at(state.points[:, :, layer, 3])[..., None]
    both = E / (1.0 - nu) * elastic[..., 0]
    apart = E / (1.0 + nu) * elastic[..., 1]
    shear = 0.5 * E / (1.0 + nu) * elastic[..., 2]
    return np.sqrt(0.25 * both**2 + 0.75 * apart**2 + 3.0 * shear**2)


def log_strain_of(green: Array) -> Array:
    """Logarithmic strains (..., 3) of Green-Lagrange ones, both as (s, d, g); the formula is that
    of :mod:`simkit.shell.logstrain`."""
    c, d, g = 1.0 + green[..., 0], green[..., 1], green[..., 2]
    r = d * d + g * g
    root = np.sqrt(r) / c
    ratio = np.where(root > 1e-4, np.arctanh(root) / np.maximum(root, 1e-4), 1.0 + root**2 / 3.0)
    k = ratio / c
    return np.stack([0.5 * np.log(c * c - r), k * d, k * g], axis=-1)
