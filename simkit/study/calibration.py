"""Promises held against blind dents: split conformal calibration, with its own spread.

A blind dent is struck on another mesh and in another sheet than the promise knows; only readings of
it are given. Its score is what was promised less what was reached. For a new dent like those, the
promise less the k-th smallest of m scores, k = ceil((m + 1) share), is kept with at least the
probability ``share`` (Papadopoulos, Proedrou, Vovk and Gammerman 2002, from memory; exact for
exchangeable dents). For one given set of blind dents the share really kept is distributed as
Beta(k, m + 1 - k) where scores do not tie: from few dents it is wide.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

STORED = Path(__file__).parent / "data" / "blind_dents.csv"
"""One row a blind dent: promised and reached improvement, %; made by
benchmarks/promise_calibration.py."""


@dataclass(frozen=True)
class Calibration:
    """What blind dents say of promises of one share of cases.

    Attributes
    ----------
    share : of cases; dents : how many blind ones stand behind it.
    shift_pct : taken off a promise; nan where the dents are too few for the share.
    low, high : bounds of the share really kept, nine times in ten.
    """

    share: float
    dents: int
    shift_pct: float
    low: float
    high: float

    def corrected(self, promised_pct: float) -> float:
        """The promise that blind dents support, %."""
        return promised_pct - self.shift_pct

    def sentence(self, promised_pct: float, minutes: float) -> str:
        """The corrected promise in the customer's words, and how sure it is."""
        if np.isnan(self.shift_pct) or np.isnan(promised_pct):
            return (f"in {cases(self.share)}: not calibrated, {self.dents} blind dents are too few "
                    f"({dents_needed(self.share)} are needed)")
        value = self.corrected(promised_pct)
        said = "at least half better" if value >= 50.0 else f"at least {value:.0f} % better"
        if value <= 0.0:
            said = "no improvement can be promised"
        return (f"{said} in {cases(self.share)} within {minutes:g} minutes, held against "
                f"{self.dents} blind dents ({value:.0f} %; the share really kept lies between "
                f"{self.low:.0%} and {self.high:.0%} nine times in ten)")


def cases(share: float) -> str:
    """A share of cases in words."""
    known = {0.5: "half of the cases", 0.8: "four of five cases", 0.9: "nine of ten cases",
             0.95: "nineteen of twenty cases"}
    return known.get(share, f"{share:.0%} of the cases")


def calibrate(promised_pct: Sequence[float], reached_pct: Sequence[float],
              share: float) -> Calibration:
    """Calibration from blind dents: what was promised for a share of cases, what was reached."""
    scores = np.asarray(promised_pct, float) - np.asarray(reached_pct, float)
    scores = np.sort(scores[np.isfinite(scores)])
    k = rank(scores.size, share)
    if k > scores.size:
        return Calibration(share, scores.size, float("nan"), float("nan"), float("nan"))
    law = stats.beta(k, scores.size + 1 - k)
    return Calibration(share, scores.size, float(scores[k - 1]), float(law.ppf(0.05)),
                       float(law.ppf(0.95)))


def rank(dents: int, share: float) -> int:
    """Which of the sorted scores is taken off, counted from 1; beyond them where they are few."""
    return int(np.ceil((dents + 1) * share - 1e-9))


def dents_needed(share: float) -> int:
    """Least number of blind dents from which a share can be calibrated at all."""
    return int(np.ceil(share / (1.0 - share) - 1e-9))


def stored_calibration(share: float, file: Path = STORED) -> Calibration | None:
    """Calibration from the stored blind dents; None where none are stored."""
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
