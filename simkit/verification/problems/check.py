"""A computed number and its reference."""

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
    """Kinds of reference, the most reliable first."""

    EXACT = "exact"
    PUBLISHED = "published"
    OTHER_CODE = "other code"
    OWN = "own independent solution"
    TREND = "published trend, qualitative"


class Status(Enum):
    """How the reference number was obtained."""

    DERIVED = "derived in the source text"
    SEEN = "read in a stored public text"
    RECOMPUTED = "solved independently"
    MEMORY = "remembered, not looked up"


@dataclass(frozen=True)
class Check:
    """One number of a problem.

    Attributes
    ----------
    case, quantity : the problem, and the quantity that is compared, with its unit.
    reference, value : the reference and the computed number.
    limit_pct : largest error allowed, per cent.
    truth, source, status : kind and source of the reference, and how it was obtained.
    scale : number by which the error is divided; None: the magnitude of the reference.
    known : the known reason if the number lies beyond its limit, otherwise empty.
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
        """Signed error of the value, per cent of the scale."""
        scale = abs(self.reference) if self.scale is None else self.scale
        return 100.0 * (self.value - self.reference) / scale

    @property
    def ok(self) -> bool:
        """Whether the error is within the limit; False for NaN."""
        return bool(abs(self.error_pct) <= self.limit_pct)

    def line(self) -> str:
        """One line of a table."""
        return (f"{self.case:38s} {self.quantity:34s} {self.reference:12.6g} {self.value:12.6g} "
                f"{self.error_pct:+8.3f} % (limit {self.limit_pct:g} %) {self.truth.value}")


def elastic_sheet(name: str, E_MPa: float, nu: float) -> Sheet:
    """An elastic sheet: its yield stress is far above every stress."""
    # A million times Young's modulus is never reached, so that the sheet stays elastic.
    return Sheet(name, E_MPa, nu, Voce(1e6 * E_MPa, 1e6 * E_MPa, 1.0))


def stiffness(E_MPa: float, nu: float, thickness_mm: float) -> float:
    """Plate stiffness D = E t^3 / 12 (1 - nu^2), N mm."""
    return E_MPa * thickness_mm**3 / (12.0 * (1.0 - nu**2))


def table(name: str) -> dict[str, Array]:
    """Columns of a reference table data/NAME.csv; its lines that begin with # name the source."""
    data = resources.files("simkit.verification.problems").joinpath("data")
    text = data.joinpath(f"{name}.csv").read_text("utf-8")
    rows = [line for line in text.splitlines() if line and not line.startswith("#")]
    reader = csv.reader(rows)
    head = next(reader)
    values = np.array([[float(cell) for cell in row] for row in reader])
    return {key: values[:, k] for k, key in enumerate(head)}
