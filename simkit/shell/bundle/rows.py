"""Rows of scratch of a bundle."""

from __future__ import annotations

import numpy as np

ENTRIES = 384
"""Rows of a bundle's tangents: 378 upper entries, filled up to eights."""
(SHAPE, PLACE, EM, KB, UP, DUAL, METRIC, CON, FRAME, STRAIN, CURVE, AREA, RES, STIFF, T, C, LOG,
 PART, FLOW, ACTIVE, TURN, NODE, CONTROL, VEC, GROW, MAT, SEC, AV, BG, DG, SECOND, CROSS, SPREAD,
 MARK, STORED, SPENT, PAST, TRIAL, XI, XI_U, MISES, SLOPE, NEW, SPOT, ROWS) = (
 int(k) for k in np.cumsum(
    [0, 45, 15, 3, 3, 3, 6, 3, 6, 9, 3, 3, 1, 6, 18, 3, 6, 3, 6, 1, 1, 15, 27, 27, 18, 15, 90, 6,
     18, 15, 15, 6, 12, 45, 1, 1, 1, 7, 3, 3, 3, 1, 1, 11, 1]))
"""First rows of scratch: N_I,a; y; strains; bending strains; a3, dual base and its metric (11, 22,
12); connection; reference frame; membrane strain and n, curvature and m (11, 22, 12); area;
resultants; A, B, D; stress, its tangent, logarithmic strain, series, yielding; lanes at work;
force factors; forces; control points; V; G; M; S; A V; B G; D G; c; V'BG; M spread over one control
point; marks; energies; of a return mapping: state before, trial stress, xi and its rate, their
size, state after, interval of a table."""
