"""Recipes that make a hardening law from a grade's numbers, one for each `law` of the file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from simkit.material.hardening import (
    Backstress,
    HardeningLaw,
    Swift,
    TableLaw,
    Voce,
    geometric_strains,
    split_isotropic,
)
from simkit.material.tensile import (
    backstress_from_shutov,
    swift_baked,
    swift_from_exponent,
    voce_from_elongation,
)

Values = Mapping[str, float]


@dataclass(frozen=True)
class Recipe:
    """One way to make a law from numbers.

    Attributes
    ----------
    make : function from the numbers of a grade (values by name, in their units) to its law in
        monotonic tension.
    says : one sentence on the method, for pages and citations; empty if the numbers are the
        parameters of the law.
    """

    make: Callable[[Values], HardeningLaw]
    says: str


def middle(values: Values, stem: str) -> float:
    """`<stem>_MPa`, or the mean of `<stem>_low_MPa` and `<stem>_high_MPa`."""
    if f"{stem}_MPa" in values:
        return values[f"{stem}_MPa"]
    return 0.5 * (values[f"{stem}_low_MPa"] + values[f"{stem}_high_MPa"])


def uniform_elongation(values: Values) -> float:
    """Ag as a fraction: given, or total elongation less the elongation of the neck."""
    percent = values.get("Ag_pct")
    return 0.01 * (values["A_pct"] - values["neck_pct"] if percent is None else percent)


def _swift(v: Values) -> Swift:
    return Swift(v["K_MPa"], v["strain_0"], v["n"])


def _swift_table(v: Values) -> TableLaw:
    strains = geometric_strains(
        v["table_first_strain"], v["table_last_strain"], round(v["table_points"]))
    return TableLaw(strains, _swift(v).stress(strains))


def _swift_from_exponent(v: Values) -> Swift:
    return swift_from_exponent(middle(v, "Rp02"), middle(v, "Rm"), v["n"])


def _swift_baked(v: Values) -> Swift:
    return swift_baked(middle(v, "Rp02"), middle(v, "Rm"), v["n"], v["work_hardening_MPa"],
                       v["bake_MPa"], v["prestrain"])


def _voce_from_elongation(v: Values) -> Voce:
    return voce_from_elongation(middle(v, "Rp02"), middle(v, "Rm"), uniform_elongation(v))


def _voce_ratio(v: Values) -> Voce:
    return Voce(v["saturation_MPa"] * (1.0 - v["ratio"]), v["saturation_MPa"], v["rate"])


def _shutov_isotropic(v: Values) -> Voce:
    """Isotropic part of Shutov's model: K + gamma/beta (1 - exp(-beta p))."""
    rise = v["iso_modulus_MPa"] / v["iso_rate"]
    return Voce(v["yield_MPa"], v["yield_MPa"] + rise, v["iso_rate"])


def _shutov_monotonic(v: Values) -> TableLaw:
    strains = geometric_strains(2.0e-5, 0.6, 160)
    isotropic = _shutov_isotropic(v)
    kinematic = sum(term.tension(strains) for term in _shutov_backstress(v))
    return TableLaw(strains, np.asarray(isotropic.stress(strains) + kinematic))


def _shutov_backstress(v: Values) -> tuple[Backstress, ...]:
    return (backstress_from_shutov(v["c_1_MPa"], v["kappa_1"]),
            backstress_from_shutov(v["c_2_MPa"], v["kappa_2"]))


RECIPES: dict[str, Recipe] = {
    "swift": Recipe(_swift, ""),
    "swift_table": Recipe(
        _swift_table, "Swift law as a table of geometrically spaced points, straight between them"),
    "swift_from_exponent": Recipe(
        _swift_from_exponent,
        "Swift law with exponent n through Rp0.2 and Rm (middles of their ranges) by Considere's "
        "condition n = e0 + p_u"),
    "swift_baked": Recipe(
        _swift_baked,
        "the law as delivered (from Rp0.2, Rm, n), then Rp0.2 raised by work and bake hardening, "
        "Rm by the stretched cross-section and Ag less the stretch; Swift law through these three"),
    "voce_from_elongation": Recipe(
        _voce_from_elongation,
        "Voce law through Rp0.2, Rm and Ag by Considere's condition ds/dp = s at p_u = ln(1 + Ag)"),
    "voce_ratio": Recipe(
        _voce_ratio, "Voce law sat (1 - ratio exp(-rate p)), so y0 = sat (1 - ratio)"),
    "shutov": Recipe(
        _shutov_monotonic,
        "Voce law K + gamma/beta (1 - exp(-beta p)) and two backstress terms C = 3/2 c, "
        "gamma = sqrt(3/2) c kappa, the small-strain form of the published model"),
}
"""Recipes by the value of `law` in the grade file."""


def elastic(v: Values) -> tuple[float, float]:
    """E (MPa) and nu: given, or from E and G (nu = E/2G - 1), or from bulk modulus K and G."""
    if "bulk_MPa" in v:
        bulk, shear = v["bulk_MPa"], v["G_MPa"]
        both = 3.0 * bulk + shear
        return 9.0 * bulk * shear / both, (3.0 * bulk - 2.0 * shear) / (2.0 * both)
    if "G_MPa" in v:
        return v["E_MPa"], v["E_MPa"] / (2.0 * v["G_MPa"]) - 1.0
    return v["E_MPa"], v["nu"]


def backstress_terms(law: str, v: Values) -> tuple[Backstress, ...]:
    """Backstress terms that a grade's numbers declare, in order; empty if none."""
    if law == "shutov":
        return _shutov_backstress(v)
    return tuple(
        Backstress(v[f"back_{i}_modulus_MPa"], v[f"back_{i}_recovery"])
        for i in (1, 2) if f"back_{i}_modulus_MPa" in v)


def isotropic_share(law: str, v: Values, terms: tuple[Backstress, ...]) -> HardeningLaw:
    """Isotropic law that, together with `terms`, gives the grade's monotonic curve."""
    if not terms:
        return RECIPES[law].make(v)
    return _shutov_isotropic(v) if law == "shutov" else split_isotropic(RECIPES[law].make(v), terms)


def derived_numbers(law: str, v: Values) -> dict[str, float]:
    """Numbers that the recipe computes, by name with unit; parameters of the law are `law_...`."""
    E_MPa, nu = elastic(v)
    found = {name: value for name, value in (("E_MPa", E_MPa), ("nu", nu)) if name not in v}
    made = _shutov_isotropic(v) if law == "shutov" else RECIPES[law].make(v)
    if RECIPES[law].says and isinstance(made, Swift):
        found |= {"law_K_MPa": made.K_MPa, "law_strain_0": made.strain_0, "law_n": made.n}
    elif isinstance(made, Voce):
        found |= {"law_yield_MPa": made.yield_MPa, "law_saturation_MPa": made.saturation_MPa,
                  "law_rate": made.rate}
    if law == "shutov":
        for i, term in enumerate(_shutov_backstress(v), start=1):
            found[f"back_{i}_modulus_MPa"] = term.modulus_MPa
            found[f"back_{i}_recovery"] = term.recovery
    return found
