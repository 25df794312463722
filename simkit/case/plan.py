"""The panel's plan: its bounds, and what lies on it."""

from __future__ import annotations

import math

from simkit.case.panel import Panel


def plan_bounds(panel: Panel) -> tuple[float, float, float, float]:
    """Smallest and largest x, smallest and largest y of the panel in plan, mm."""
    if panel.outline == "disc":
        radius = panel.radius_mm or 0.0
        return -radius, radius, -radius, radius
    lx, ly = panel.length_x_mm or 0.0, panel.length_y_mm or 0.0
    if panel.origin == "corner":
        return 0.0, lx, 0.0, ly
    return -lx / 2, lx / 2, -ly / 2, ly / 2


def on_panel(panel: Panel, x_mm: float, y_mm: float) -> bool:
    """Whether a point of the plan lies on the panel (rim included)."""
    if panel.outline == "disc":
        return math.hypot(x_mm, y_mm) <= (panel.radius_mm or 0.0)
    x0, x1, y0, y1 = plan_bounds(panel)
    return x0 <= x_mm <= x1 and y0 <= y_mm <= y1


def has_size(panel: Panel) -> bool:
    """Whether the keys that give the panel's size are there."""
    if panel.outline == "disc":
        return panel.radius_mm is not None
    return panel.length_x_mm is not None and panel.length_y_mm is not None


def bounds_text(panel: Panel) -> str:
    """Where places of a panel lie, in words."""
    if panel.outline == "disc":
        return f"expected within {panel.radius_mm:g} mm of the centre"
    x0, x1, y0, y1 = plan_bounds(panel)
    return f"expected x from {x0:g} to {x1:g} mm and y from {y0:g} to {y1:g} mm"
