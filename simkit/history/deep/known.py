"""Blows that are roughly known: corrected from there, on both meshes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.history.deep.descent import Blows, Found, descend, names_of, slopes_by_trial
from simkit.history.deep.family import STAIR_MM, Fit, Presses, about, travels_of

STAIR_DEPTH_SHARE = 0.1
"""Smallest travel between two releases of the first loading, over the depth."""
NEAR, TOGETHER, SEARCH_MESH_ERROR_DEPTH_SHARE = 10, 8, 0.03
"""Number of readings around a blow that determine its travel; steps of the common correction; share
of the depth at which that ends. The mesh of the search has this error where blows overlap
(`cases/right-panel`: 1.1 mm of 41 with the true blows)."""
ONE_BLOW_STEPS = 5
"""Steps of the correction of a single blow."""


def set_right_in_turn(presses: Presses, known: Blows, stop_mm: float) -> Found | None:
    """Correct blows that are roughly known; None if one finds no equilibrium.

    First the travel of each blow from the readings around it, on the panel after the blows before
    it; then all unknowns together. Places are not corrected one by one, because the marks of later
    blows would falsify them.
    """
    def measure(blows: Blows) -> tuple[Blows, Fit] | None:
        return about(presses, blows)

    blows: Blows = ()
    fit: Fit | None = None
    for body in known:
        step = max(STAIR_MM, STAIR_DEPTH_SHARE * abs(body.depth_mm))
        family = presses.family(blows, replace(body, travel_mm=None), travels_of(body, step))
        far = np.hypot(presses.x_mm - body.x_mm, presses.y_mm - body.y_mm)
        fit = family.nearest_at(presses.wanted, np.argsort(far, kind="stable")[:NEAR])
        if fit is None:
            return None
        blows = (*blows, replace(body, travel_mm=fit.travel_mm))
    if fit is None:
        return None
    start = with_slopes(presses, Found(blows, fit, np.zeros((presses.wanted.size, 0)), ()))
    if start is None:
        return None
    if len(blows) == 1:
        return descend(measure, presses.wanted, start, ONE_BLOW_STEPS, stop_mm, known)
    own = SEARCH_MESH_ERROR_DEPTH_SHARE * float(np.abs(presses.wanted).max())
    return descend(measure, presses.wanted, start, TOGETHER, max(stop_mm, own), known)


def with_slopes(presses: Presses, found: Found) -> Found | None:
    """The same blows with their fit and derivatives on the mesh of the presses, by one trial for
    each unknown; None if they find no equilibrium there.

    The rate of the last travel is that of the given fit.
    """
    def as_they_are(blows: Blows) -> tuple[Blows, Fit] | None:
        seen = presses.released(blows)
        return None if seen is None else (blows, seen)

    exact = presses.released(found.blows)
    if exact is None:
        return None
    names = names_of(found.blows, known=True)
    fit = replace(exact, rate=found.fit.rate)
    return Found(found.blows, fit, slopes_by_trial(as_they_are, found.blows, fit, names), names)
