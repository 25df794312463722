"""A sheet's numbers as the kernels take them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.material.hardening import Sheet
from simkit.material.j2 import LAW_HEADER, SWIFT, VOCE

Array = NDArray[np.float64]


def pack_sheet(sheet: Sheet, yielding: bool = True) -> Array:
    """Numbers of a sheet for the kernels.

    One row for von Mises (:mod:`simkit.material.j2`); two for rolled sheet, the second the
    criterion (:mod:`simkit.material.anisotropic`) and at its end the rolling direction. Without
    yielding always one, with an unreachable flow stress.
    """
    head = np.zeros(LAW_HEADER)
    head[:2] = sheet.E_MPa, sheet.nu
    head[3] = len(sheet.backstress)
    for k, term in enumerate(sheet.backstress):
        head[4 + 2 * k], head[5 + 2 * k] = term.modulus_MPa, term.recovery
    if not yielding:
        head[2] = 2
        return np.concatenate([head, [2.0, 0.0, 1.0, 1e12, 1e12]])
    head[2] = sheet.hardening.kind
    plain = np.concatenate([head, sheet.hardening.packed()])
    if sheet.criterion is None:
        return plain
    second = np.append(sheet.criterion.packed(), sheet.rolling_rad)
    law = np.zeros((2, max(plain.size, second.size)))
    law[0, :plain.size], law[1, :second.size] = plain, second
    return law


def cautious_law(law: Array, above_mises: float) -> Array:
    """One row with flow stresses so low that where von Mises does not yield by it, the criterion of
    the whole law does not either; ``above_mises`` is the criterion's largest size over von Mises'.
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
