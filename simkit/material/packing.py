"""Packed arrays of a sheet's numbers for the kernels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.material.criterion import yld2000
from simkit.material.hardening import Sheet
from simkit.material.j2 import LAW_HEADER, SWIFT, TABLE, VOCE

Array = NDArray[np.float64]
MISES = yld2000(np.ones(8), 2)
"""Von Mises as a criterion of rolled sheet."""


def pack_sheet(sheet: Sheet, yielding: bool = True) -> Array:
    """Numbers of a sheet for the kernels.

    (m,) for von Mises (:mod:`simkit.material.j2`). (2, m) for rolled sheet: the second row holds
    the criterion (:mod:`simkit.material.anisotropic`) and, after it, the rolling direction. (3, m)
    for sheet whose modulus falls with plastic strain: the third row holds share and rate of the
    fall, and von Mises is a criterion like others. Without ``yielding`` (m,) or, where the modulus
    falls, (3, m), with a flow stress of 1e12 MPa that is never reached.
    """
    head = np.zeros(LAW_HEADER)
    head[:2] = sheet.E_MPa, sheet.nu
    head[3] = len(sheet.backstress)
    for k, term in enumerate(sheet.backstress):
        head[4 + 2 * k], head[5 + 2 * k] = term.modulus_MPa, term.recovery
    if not yielding:
        head[2] = TABLE
        plain = np.concatenate([head, [2.0, 0.0, 1.0, 1e12, 1e12]])
        if sheet.modulus_fall is None:
            return plain
    else:
        head[2] = sheet.hardening.kind
        plain = np.concatenate([head, sheet.hardening.packed()])
    if sheet.criterion is None and sheet.modulus_fall is None:
        return plain
    second = np.append((sheet.criterion or MISES).packed(), sheet.rolling_rad)
    rows = [plain, second]
    if sheet.modulus_fall is not None:
        rows.append(np.array([sheet.modulus_fall.share, sheet.modulus_fall.rate]))
    law = np.zeros((len(rows), max(row.size for row in rows)))
    for k, row in enumerate(rows):
        law[k, :row.size] = row
    return law


def cautious_law(law: Array, above_mises: float) -> Array:
    """A von Mises law (m,) that yields no later than the law (2, m) of rolled sheet.

    Where a point does not yield by this law, it does not yield by the criterion either, because the
    flow stress is divided by ``above_mises``, the largest ratio of the criterion's equivalent
    stress to the von Mises stress. It is used to find elastic points with the cheaper kernel.
    """
    row = law[0].copy()
    kind = int(row[2])
    if kind == SWIFT:
        stresses = slice(LAW_HEADER, LAW_HEADER + 1)
    elif kind == VOCE:
        row[LAW_HEADER + 3] /= above_mises
        stresses = slice(LAW_HEADER, LAW_HEADER + 2)
    else:
        count = int(row[LAW_HEADER])
        stresses = slice(LAW_HEADER + 1 + count, LAW_HEADER + 1 + 2 * count)
    row[stresses] /= above_mises
    return row
