"""Sheet grades as data: each number with unit, source and status, and the law made from them."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

from ruamel.yaml import YAML

from simkit.errors import InputError
from simkit.material.directions import Directions, directions_of, fit_coefficients
from simkit.material.hardening import Sheet
from simkit.material.recipes import (
    RECIPES,
    backstress_terms,
    derived_numbers,
    elastic,
    isotropic_share,
)
from simkit.units import unit_of_key

STATUSES = ("SEEN", "SEEN secondary", "MEMORY", "ESTIMATE", "DERIVED")
"""Origin of a number, in this order: read in the source; read in a transcription of the source;
remembered, not looked up; our own choice; computed from other numbers of the grade."""

GRADE_FILE = "grades.yaml"


@dataclass(frozen=True)
class Number:
    """One number of a grade.

    Attributes
    ----------
    name, value, unit : name with unit, value, and unit; "1" for no unit.
    source : key of the source; `source_text` is its full text.
    status : one of STATUSES.
    place : where in the source.
    why : reason of an ESTIMATE, or how a DERIVED number was computed.
    """

    name: str
    value: float
    unit: str
    source: str
    source_text: str
    status: str
    place: str
    why: str = ""

    def line(self) -> str:
        """The number with its origin, on one line."""
        unit = "" if self.unit == "1" else f" {self.unit}"
        tail = f"; {self.why}" if self.why else ""
        return (f"{self.name} = {self.value:.6g}{unit} [{self.status}] "
                f"{self.source_text}, {self.place}{tail}")


@dataclass(frozen=True)
class Grade:
    """A sheet grade.

    Attributes
    ----------
    name, title : short name and description.
    kind : steel or aluminium.
    law : recipe that makes a law from the numbers; a key of `recipes.RECIPES`.
    numbers : declared numbers by name, read-only.
    backstress : whether `sheet()` has the backstress terms that the numbers declare.
    artificial : True for an invented grade.
    note : what a user should know, or empty.
    criterion : yield criterion of `sheet()`, one of `directions.CRITERIA`.
    """

    name: str
    title: str
    kind: str
    law: str
    numbers: Mapping[str, Number]
    backstress: bool
    artificial: bool = False
    note: str = ""
    criterion: str = "mises"

    @property
    def values(self) -> dict[str, float]:
        """Declared values by name, in their units."""
        return {name: number.value for name, number in self.numbers.items()}

    def sheet(self) -> Sheet:
        """The sheet metal for the solver; monotonic tension is the same with or without
        backstress."""
        v = self.values
        terms = backstress_terms(self.law, v) if self.backstress else ()
        E_MPa, nu = elastic(v)
        measured = self.directions()
        return Sheet(self.name, E_MPa, nu, isotropic_share(self.law, v, terms), terms,
                     v["strain_range"], v["density_kg_m3"],
                     None if measured is None else measured.criterion(self.criterion))

    def directions(self) -> Directions | None:
        """Measurements along several directions of the sheet; None if there are none."""
        return directions_of(self.values)

    def derived(self) -> tuple[Number, ...]:
        """Numbers computed from the declared ones: law parameters and elastic constants."""
        how = RECIPES[self.law].says
        measured = self.directions()
        fit = () if measured is None or self.criterion != "yld2000-2d" else tuple(
            Number(f"alpha_{k}", float(value), "1", "derived",
                   "computed from the numbers of this grade", "DERIVED", "Yld2000-2d",
                   "least squares over yields and r-values along all directions")
            for k, value in enumerate(fit_coefficients(measured), start=1))
        return fit + tuple(
            Number(name, value, unit_of_key(name) or "1", "derived",
                   "computed from the numbers of this grade", "DERIVED", f"law {self.law}",
                   how if name.startswith(("law_", "back_")) else "from the elastic moduli")
            for name, value in derived_numbers(self.law, self.values).items())

    def limits(self) -> dict[str, tuple[float, float]]:
        """Ranges in the standard or data sheet of the grade that its tensile test must meet.

        Keys `Rp02_MPa`, `Rm_MPa`, `Ag` (no unit); values (lowest, highest), 0 or infinity where
        there is no limit. Empty for a baked sheet, since the ranges hold for the sheet as
        delivered.
        """
        if self.law == "swift_baked":
            return {}
        v = self.values
        found = {}
        for key, stem, unit, factor in (("Rp02_MPa", "Rp02", "MPa", 1.0),
                                        ("Rm_MPa", "Rm", "MPa", 1.0), ("Ag", "Ag", "pct", 0.01)):
            ends = v.get(f"{stem}_low_{unit}"), v.get(f"{stem}_high_{unit}")
            if ends != (None, None):
                low, high = ends
                found[key] = (0.0 if low is None else low * factor,
                              math.inf if high is None else high * factor)
        return found

    def cite(self) -> str:
        """All numbers of the grade with their origin, one a line, derived ones last."""
        head = f"{self.name}: {self.title}"
        carried = "with" if self.backstress else "without"
        lines = [number.line() for number in (*self.numbers.values(), *self.derived())]
        return "\n".join([head, f"used {carried} backstress", *lines])


def grade_names() -> tuple[str, ...]:
    """Names of all grades, in the order of the grade file."""
    return tuple(_file()["grades"])


def load_grade(name: str, backstress: bool | None = None) -> Grade:
    """Grade by name.

    Parameters
    ----------
    name : one of `grade_names()`.
    backstress : True or False to use or leave out its backstress terms; None for the grade's own
        choice.

    Raises
    ------
    InputError : no such grade, or backstress asked of a grade that declares none.
    """
    entries = _file()["grades"]
    if name not in entries:
        folded = {known.lower(): known for known in entries}
        near = difflib.get_close_matches(str(name).lower(), folded, 1, 0.5)
        hint = f"did you mean '{folded[near[0]]}'?" if near else "known: " + ", ".join(entries)
        raise InputError(f"no sheet grade '{name}'", hint, key="grade")
    entry = entries[name]
    numbers = {key: _number(key, raw, name) for key, raw in entry["numbers"].items()}
    grade = Grade(name, entry["title"], entry["kind"], entry["law"], MappingProxyType(numbers),
                  entry["backstress"] if backstress is None else backstress,
                  entry.get("artificial", False), entry.get("note", ""),
                  entry.get("criterion", "mises"))
    if grade.backstress and not backstress_terms(grade.law, grade.values):
        raise InputError(f"grade '{name}' declares no backstress", "backstress left out",
                         key="backstress")
    return grade


@cache
def _file() -> dict[str, Any]:
    text = resources.files("simkit.material").joinpath("data", GRADE_FILE).read_text("utf-8")
    data: dict[str, Any] = YAML(typ="safe", pure=True).load(text)
    return data


def _number(key: str, raw: Mapping[str, Any], grade: str) -> Number:
    """Number of the grade file, checked: complete, known source and status, matching unit."""
    where = f"grades.{grade}.numbers.{key}"
    missing = {"value", "unit", "source", "status", "place"} - set(raw)
    unknown = set(raw) - {"value", "unit", "source", "status", "place", "why"}
    if missing or unknown:
        raise InputError(f"keys missing: {sorted(missing)}, unknown: {sorted(unknown)}",
                         "value, unit, source, status, place and perhaps why", GRADE_FILE,
                         key=where)
    sources = _file()["sources"]
    value, unit = raw["value"], raw["unit"]
    checks = (
        (isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < math.inf,
         f"value {value!r}", "a positive number"),
        (unit == (unit_of_key(key) or unit), f"unit {unit!r}",
         f"{unit_of_key(key)}, as in the name"),
        (raw["source"] in sources, f"source '{raw['source']}'", "a key of 'sources'"),
        (raw["status"] in STATUSES[:-1], f"status '{raw['status']}'", ", ".join(STATUSES[:-1])),
        (raw["status"] != "ESTIMATE" or bool(raw.get("why")), "ESTIMATE without why", "a reason"),
    )
    for ok, what, expected in checks:
        if not ok:
            raise InputError(what, expected, GRADE_FILE, key=where)
    return Number(key, float(value), unit, raw["source"], sources[raw["source"]]["text"],
                  raw["status"], raw["place"], raw.get("why", ""))
