"""Comparison with an independent axisymmetric FE code as checks; see :mod:`.sector_fe`."""

from __future__ import annotations

from simkit.verification.problems import sector_fe
from simkit.verification.problems.check import Check, Status, Truth

SOURCE = "axisymmetric solids of a general-purpose FE code, finest mesh (data/reference_fe)"

CROWN_PCT = 5.0
"""Limit of the manual for heights of crowns, stricter than that of `sector_fe.Pressed.rows`."""


def pressures(element_mm: float = 5.0) -> list[Check]:
    """Elastic plate under four pressures, elastoplastic plate under a pressed disc."""
    return _checks([*sector_fe.elastic_pressure(element_mm),
                    *sector_fe.plastic_pressure(element_mm)])


def ball(case: sector_fe.BallCase, element_mm: float = 5.0) -> list[Check]:
    """A ball pressed into a plate or a cap and withdrawn."""
    return _checks(sector_fe.press(case, element_mm).rows())


def _checks(rows: list[sector_fe.Row]) -> list[Check]:
    return [Check(row.case, row.quantity, row.reference, row.value,
                  min(row.limit_pct, CROWN_PCT) if "crown" in row.quantity else row.limit_pct,
                  Truth.OTHER_CODE, SOURCE, Status.RECOMPUTED)
            for row in rows if row.limit_pct is not None]
