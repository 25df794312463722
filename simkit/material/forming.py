"""The sheet after forming and paint baking: its law with pre-strain and bake hardening."""

from __future__ import annotations

from dataclasses import replace

from simkit.errors import InputError
from simkit.material.hardening import (
    Backstress,
    ModulusFall,
    Sheet,
    TableLaw,
    geometric_strains,
)

TABLE_POINTS = 240
"""Points of the hardening table of a formed sheet."""


def formed_sheet(sheet: Sheet, prestrain: float, bake_MPa: float) -> Sheet:
    """The sheet after an equivalent plastic strain in the press and a rise of yield in the oven.

    In monotonic tension it flows at s(prestrain + p) + bake_MPa, where s is the curve as delivered.
    The direction of forming is not known, so the backstress that forming has produced is counted
    as isotropic hardening; the remaining modulus of each Armstrong-Frederick term,
    C exp(-gamma prestrain), stays kinematic. Bake hardening by EN 10325 is the rise of the yield
    stress by baking after a strain of 2 % (definition from memory, not looked up).

    Raises
    ------
    InputError : a negative number, or a pre-strain beyond the range of the sheet's law.
    """
    if prestrain == 0.0 and bake_MPa == 0.0:
        return sheet
    if bake_MPa < 0.0 or prestrain < 0.0:
        raise InputError(f"pre-strain {prestrain:g}, bake hardening {bake_MPa:g} MPa",
                         "zero or more")
    if prestrain >= 0.8 * sheet.strain_range:
        raise InputError(f"pre-strain {prestrain:g} of {sheet.name}",
                         f"below {0.8 * sheet.strain_range:g}, so that the law covers more strain")
    p = geometric_strains(2.0e-5, 0.6, TABLE_POINTS)
    used = sum(float(term.tension(prestrain)) for term in sheet.backstress)
    left = tuple(Backstress(float(term.tension_slope(prestrain)), term.recovery)
                 for term in sheet.backstress)
    fall, young = sheet.modulus_fall, sheet.E_MPa
    if fall is not None:  # what is left of the fall, from the modulus after forming
        young *= float(fall.at(prestrain))
        fall = ModulusFall(fall.share * sheet.E_MPa / young, fall.rate)
    return replace(
        sheet, hardening=TableLaw(p, sheet.hardening.stress(prestrain + p) + used + bake_MPa),
        backstress=left, strain_range=sheet.strain_range - prestrain, E_MPa=young,
        modulus_fall=fall)


def scaled_sheet(sheet: Sheet, factor: float) -> Sheet:
    """The sheet with its whole flow stress, backstress included, times a factor (no unit).

    Raises
    ------
    InputError : a factor that is not positive.
    """
    if factor == 1.0:
        return sheet
    if not factor > 0.0:
        raise InputError(f"flow stress times {factor:g}", "a factor above zero")
    p = geometric_strains(2.0e-5, max(0.6, sheet.strain_range), TABLE_POINTS)
    return replace(
        sheet, hardening=TableLaw(p, factor * sheet.hardening.stress(p)),
        backstress=tuple(Backstress(factor * term.modulus_MPa, term.recovery)
                         for term in sheet.backstress))
