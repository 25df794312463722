"""A computed number beside the number it should be."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from enum import Enum
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from simkit.material.hardening import Sheet, Voce

Array = NDArray[np.float64]


class Truth(Enum):
    """Kinds of truth, strongest first."""

    EXACT = "exact"
    PUBLISHED = "published"
    OTHER_CODE = "other code"
    OWN = "own independent solution"
    TREND = "published trend, qualitative"


class Status(Enum):
    """How the reference number was come by."""

    DERIVED = "derived in the source text"
    SEEN = "read in a stored public text"
    RECOMPUTED = "solved independently"
    MEMORY = "remembered, not looked up"


@dataclass(frozen=True)
class Check:
    """One number of a problem.

    Attributes
    ----------
    case, quantity : what was solved and what is compared, with its unit.
    reference, value : the number wanted and the number found.
    limit_pct : largest error allowed, per cent.
    truth, source, status : kind of truth; where the reference is from; how it was come by.
    scale : what the error is a share of; the reference itself if None.
    known : what is known about why the number lies beyond its limit, where it does.
    """

    case: str
    quantity: str
    reference: float
    value: float
    limit_pct: float
    truth: Truth
    source: str
    status: Status
    scale: float | None = None
    known: str = ""

    @property
    def error_pct(self) -> float:
        """Deviation of the value from the reference, per cent, with its sign."""
        scale = abs(self.reference) if self.scale is None else self.scale
        return 100.0 * (self.value - self.reference) / scale

    @property
    def ok(self) -> bool:
        """Whether the deviation is within the limit (a value that is no number never is)."""
        return bool(abs(self.error_pct) <= self.limit_pct)

    def line(self) -> str:
        """One line of a table."""
        return (f"{self.case:38s} {self.quantity:34s} {self.reference:12.6g} {self.value:12.6g} "
                f"{self.error_pct:+8.3f} % (limit {self.limit_pct:g} %) {self.truth.value}")


def elastic_sheet(name: str, E_MPa: float, nu: float) -> Sheet:
    """A sheet that never yields."""
    return Sheet(name, E_MPa, nu, Voce(1e6 * E_MPa, 1e6 * E_MPa, 1.0))


def stiffness(E_MPa: float, nu: float, thickness_mm: float) -> float:
    """Plate stiffness D = E t^3 / 12 (1 - nu^2), N mm."""
    return E_MPa * thickness_mm**3 / (12.0 * (1.0 - nu**2))


def table(name: str) -> dict[str, Array]:
    """Columns of a reference table (data/NAME.csv; lines that begin with # are its source)."""
    data = resources.files("simkit.verification.problems").joinpath("data")
    text = data.joinpath(f"{name}.csv").read_text("utf-8")
    rows = [line for line in text.splitlines() if line and not line.startswith("#")]
    reader = csv.reader(rows)
    head = next(reader)
    values = np.array([[float(cell) for cell in row] for row in reader])
    return {key: values[:, k] for k, key in enumerate(head)}
