"""The yield criterion and rolling direction of a case."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.case.panel import Rolling
from simkit.errors import InputError
from simkit.material.criterion import hill48
from simkit.material.directions import Directions
from simkit.material.hardening import Sheet
from simkit.material.locus import Criterion


def rolled_sheet(sheet: Sheet, asked: Rolling, measured: Directions | None) -> Sheet:
    """The sheet with its criterion and its rolling direction; ``measured`` of the grade.

    Raises
    ------
    InputError : contradictory keys, or a criterion that needs measurements which the grade does not
        have.
    """
    criterion = _criterion(sheet, asked, measured)
    if criterion is None and asked.angle_deg != 0.0:
        raise InputError(f"angle_deg {asked.angle_deg:g} of a sheet that is the same in all "
                         "directions", "another criterion, such as hill48, or leave it out",
                         key="angle_deg")
    return replace(sheet, criterion=criterion, rolling_rad=float(np.radians(asked.angle_deg)))


def _criterion(sheet: Sheet, asked: Rolling, measured: Directions | None) -> Criterion | None:
    own = (asked.r_0, asked.r_45, asked.r_90)
    given = [value for value in own if value is not None]
    if given and asked.criterion != "hill48":
        raise InputError(f"r-values beside criterion {asked.criterion}", "criterion hill48",
                         key="criterion")
    if given and len(given) < len(own):
        key = ("r_0", "r_45", "r_90")[own.index(None)]
        raise InputError(f"{len(given)} of three r-values", "r_0, r_45 and r_90", key=key)
    if asked.criterion == "of-grade":
        return sheet.criterion
    if asked.criterion == "mises":
        return None
    if given:
        return hill48(given[0], given[1], given[2])
    if measured is None:
        raise InputError(f"criterion {asked.criterion}, and grade {sheet.name} has no r-values",
                         "r_0, r_45 and r_90 with hill48, or a grade that has them",
                         key="criterion")
    return measured.criterion(asked.criterion)
