"""Rows of scratch of a bundle: where each quantity begins, how many rows it takes.

A row is one number of eight elements. The comment beside each block gives its shape; triples of
covariant components are (11, 22, 12), those in the local frame (s, d, g).
"""

from __future__ import annotations

ENTRIES = 384
"""Rows of a bundle's tangents: 27 * 28 / 2 = 378 upper entries, filled up to a multiple of 8."""


class _Scratch:
    """Assigns row numbers to blocks, one block after another."""

    def __init__(self) -> None:
        self.rows = 0

    def block(self, *shape: int) -> int:
        """Return the first row of a new block of this shape, stored row-major."""
        first, rows = self.rows, 1
        for size in shape:
            rows *= size
        self.rows += rows
        return first


_scratch = _Scratch()
_block = _scratch.block

# kinematics of one Gauss point
SHAPE = _block(9, 5)  # N_I,a of each control point: ,1 ,2 ,11 ,22 ,12
DERIVATIVES = _block(5, 3)  # y = (x,1 x,2 x,11 x,22 x,12)
MEMBRANE = _block(3)  # membrane strain (s, d, g)
BENDING = _block(3)  # bending strain (s, d, g)
NORMAL = _block(3)  # unit normal a3
DUAL = _block(2, 3)  # dual base a^1, a^2
METRIC = _block(3)  # contravariant metric
CONNECTION = _block(3, 2)  # x,ab . a^g for ab = 11, 22, 12
FRAME = _block(3, 3)  # covariant components to (s, d, g)
STRAIN = _block(3)  # reference metric, then membrane strain, then resultants n times area
CURVATURE = _block(3)  # reference curvature, then bending strain, then resultants m times area
AREA = _block()  # reference area of the Gauss point, mm^2

# sums over the layers of a Gauss point
RESULTANTS = _block(2, 3)  # n and m in (s, d, g)
SECTION = _block(3, 6)  # A, B, D, each 00 01 02 11 12 22

# one layer
STRESS = _block(3)  # work conjugates of (s, d, g), MPa
MODULI = _block(6)  # tangent of the stress, 00 01 02 11 12 22
LOG_STRAIN = _block(3)  # logarithmic strain (s, d, g)
SERIES = _block(6)  # four factors of its derivatives; elastic energy and plastic work density
YIELDING = _block()  # 1 where the layer yields

# the bundle
ACTIVE = _block()  # 1 for lanes whose element is computed
FORCE_FACTORS = _block(5, 3)  # force conjugate to y
NODAL_FORCES = _block(9, 3)
CONTROL = _block(9, 3)  # control points, mm

# tangent of one Gauss point
MEMBRANE_ROWS = _block(3, 2, 3)  # V: strain by y,1 and y,2
BENDING_ROWS = _block(3, 5)  # G: bending strain by a3 . y_a
PAIRS = _block(2, 5, 3, 3)  # M_da times area
PAIRS_SECOND = _block(6)  # S_ab of the second derivatives, 00 01 02 11 12 22
A_MEMBRANE = _block(3, 2, 3)  # A V times area
B_BENDING = _block(3, 5)  # B G times area
D_BENDING = _block(3, 5)  # D G times area
VARIATION = _block(5)  # c: factors of the second variation of curvature
COUPLING = _block(2, 2, 3)  # V' B G of the first derivatives
NODE_PAIRS = _block(5, 3, 3)  # M spread over one control point

# sums over the bundle
OUT_OF_RANGE = _block()  # above 0 where a strain is outside the series' range: to the full kernel
STORED = _block()  # elastic energy, N mm
PLASTIC_WORK = _block()  # N mm

# return mapping of one layer
OLD_STATE = _block(7)  # equivalent plastic strain, two backstresses
TRIAL = _block(3)  # trial stress
XI = _block(3)  # stress less backstress
XI_U = _block(3)  # its derivative by the plastic increment
MISES = _block()  # von Mises size of xi; flow stress
SLOPE = _block()  # its derivative by the plastic increment
NEW_STATE = _block(11)
INTERVAL = _block()  # of a tabulated hardening curve
ROWS = _scratch.rows
