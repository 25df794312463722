"""Promises checked against blind dents: split conformal calibration, with its own uncertainty.

A blind dent is struck on another mesh and in another sheet than the model of the promise has; the
model is given only readings of it. Its score s is the promised improvement minus the improvement
reached. For a new dent of the same kind, the promise minus the k-th smallest of m scores,
k = ceil((m + 1) share), is kept with at least the probability ``share`` (Papadopoulos, Proedrou,
Vovk and Gammerman 2002, from memory; exact for exchangeable dents). For one given set of blind
dents the share of kept promises has the distribution Beta(k, m + 1 - k) if no scores are equal;
with few dents this distribution is wide.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

STORED = Path(__file__).parent / "data" / "blind_dents.csv"
"""One row for each blind dent: promised and reached improvement, %; written by
benchmarks/promise_calibration.py."""


@dataclass(frozen=True)
class Calibration:
    """The correction of a promise for one share of cases, from blind dents.

    Attributes
    ----------
    share : of the cases; dents : number of blind dents used.
    shift_pct : subtracted from a promise; nan if there are too few dents for this share.
    low, high : 90 % interval of the share of kept promises.
    """

    share: float
    dents: int
    shift_pct: float
    low: float
    high: float

    def corrected(self, promised_pct: float) -> float:
        """The corrected promise, %."""
        return promised_pct - self.shift_pct

    def sentence(self, promised_pct: float, minutes: float) -> str:
        """The corrected promise as it is told to a customer, and its uncertainty."""
        if np.isnan(self.shift_pct) or np.isnan(promised_pct):
            return (f"in {cases(self.share)}: not calibrated: {self.dents} blind dents are too few "
                    f"({dents_needed(self.share)} are needed)")
        value = self.corrected(promised_pct)
        said = "at least half better" if value >= 50.0 else f"at least {value:.0f} % better"
        if value <= 0.0:
            said = "no improvement can be promised"
        return (f"{said} in {cases(self.share)} within {minutes:g} minutes, checked against "
                f"{self.dents} blind dents ({value:.0f} %; 90 % interval of the share of kept "
                f"promises: {self.low:.0%} to {self.high:.0%})")


def cases(share: float) -> str:
    """A share of cases in words."""
    known = {0.5: "half of the cases", 0.8: "four of five cases", 0.9: "nine of ten cases",
             0.95: "nineteen of twenty cases"}
    return known.get(share, f"{share:.0%} of the cases")


def calibrate(promised_pct: Sequence[float], reached_pct: Sequence[float],
              share: float) -> Calibration:
    """Calibration from the improvement promised for a share of cases and the one reached, for each
    blind dent."""
    scores = np.asarray(promised_pct, float) - np.asarray(reached_pct, float)
    scores = np.sort(scores[np.isfinite(scores)])
    k = rank(scores.size, share)
    if k > scores.size:
        return Calibration(share, scores.size, float("nan"), float("nan"), float("nan"))
    law = stats.beta(k, scores.size + 1 - k)
    return Calibration(share, scores.size, float(scores[k - 1]), float(law.ppf(0.05)),
                       float(law.ppf(0.95)))


def rank(dents: int, share: float) -> int:
    """Rank k of the sorted score that is subtracted, from 1; larger than ``dents`` if these are too
    few. The 1e-9 absorbs the rounding error of the product."""
    return int(np.ceil((dents + 1) * share - 1e-9))


def dents_needed(share: float) -> int:
    """Least number m of blind dents for a share: ceil((m + 1) share) <= m."""
    return int(np.ceil(share / (1.0 - share) - 1e-9))


def stored_calibration(share: float, file: Path = STORED) -> Calibration | None:
    """Calibration from the stored blind dents; None if none are stored."""
    try:
        with open(file, newline="", encoding="utf-8") as table:
            rows = [row for row in csv.DictReader(table) if row.get(_column(share), "")]
    except OSError:
        return None
    if not rows:
        return None
    return calibrate([float(row[_column(share)]) for row in rows],
                     [float(row["reached_pct"]) for row in rows], share)


def _column(share: float) -> str:
    return f"promised_{share * 100:.0f}_pct"
