"""Description of a model as text, for print(model)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simkit.panel.edges import EDGES, Edge

if TYPE_CHECKING:
    from simkit.mechanics.model import Model


def describe(model: Model) -> str:
    """Return six lines: sheet, size, mesh, edges, springs, equations."""
    patch, layers = model.patch, model.layers.heights.size
    size = np.ptp(patch.control, axis=0)
    lengths = np.sqrt(model.geometry.area.sum(axis=1))
    held = ", ".join(f"{side} {_kind(edge)}" for side, edge in model.edges.items()) or "none"
    points = sum(spring.element.size for spring in model.springs)
    return "\n".join([
        f"sheet: {model.sheet.name}, {model.thickness_mm:g} mm in {layers} layers, "
        f"E {model.sheet.E_MPa:g} MPa, nu {model.sheet.nu:g}",
        f"size: {size[0]:.4g} x {size[1]:.4g} x {size[2]:.4g} mm, "
        f"area {model.geometry.area.sum():.4g} mm2",
        f"mesh: {patch.basis_u.elements} x {patch.basis_v.elements} elements of degree "
        f"{patch.degree}, {lengths.min():.3g} to {lengths.max():.3g} mm",
        f"edges: {held}",
        f"springs: {len(model.springs)} sets of {points} points in all",
        f"equations: {model.layout.count}, solver {model.solver}, {model.threads} thread(s)"])


def _kind(edge: Edge) -> str:
    """Name of an edge condition; 'by its own numbers' if it has no name."""
    return next((name for name, known in EDGES.items() if known == edge), "by its own numbers")
