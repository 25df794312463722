"""Calibration of bands with blind dents of known history: widening of bands, and strengths.

The range of the plausible histories is too narrow as a band, because all of them have the errors of
mesh, increments and sheet in common. Blind dents, whose history is known, show by how much. The
score of a blind dent is the distance of the true change from the range of its histories, over the
prediction (negative: inside). The band of a new dent is the range widened by the k-th smallest of m
scores, k = ceil((m + 1) 0.9): split conformal prediction on an interval (Papadopoulos et al. 2002;
with intervals Romano, Patterson and Candes 2019; both from memory). If the dents are exchangeable,
the band holds the true change with at least that probability; for one given set of dents the share
that it really holds has the distribution Beta(k, m + 1 - k). Each kind of answer is calibrated by
itself.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from scipy.special import betaincinv

STORED = Path(__file__).parent / "data" / "bands.csv"
"""One row for each kind of answer, from the calibration half of the blind dents; written by
benchmarks/blind_history.py --store."""
SHARE = 0.9
"""Share of dents whose answer a band shall hold."""
PLACE_TAP, MIDDLE_TAP, MIDDLE_PULL = ("place, light tap", "middle, light tap", "middle, pull")
TAP_LEARNED, PULL_LEARNED = "middle, second tap, learned", "middle, pull after tap, learned"
KINDS = (PLACE_TAP, MIDDLE_TAP, MIDDLE_PULL, TAP_LEARNED, PULL_LEARNED)
COLUMNS = ("kind", "cases", "share", "room_share", "held_low", "held_high", "strength",
           "strength_error", "carried", "sheet")


@dataclass(frozen=True)
class Room:
    """Calibration of one kind of answer.

    Attributes
    ----------
    kind : see ``KINDS``; cases : number of blind dents.
    share : share of dents whose answer a band holds; ``SHARE``, or m / (m + 1) if m dents are too
        few for that.
    room_share : widening of a band at either end of the histories' range, over the prediction.
    held_low, held_high : 5 and 95 % quantile of the share of dents that bands really hold.
    strength, strength_error : true over predicted change, median, and its spread (1.48 times the
        median distance from it).
    carried, sheet : shares of the tap's strength deviation and of the deviation of the sheet, both
        estimated from readings, with which the next answer of this kind is predicted (0: nothing,
        1: all of it).
    """

    kind: str
    cases: int
    share: float
    room_share: float
    held_low: float
    held_high: float
    strength: float
    strength_error: float
    carried: float = 0.0
    sheet: float = 1.0

    def sentence(self) -> str:
        """The calibration in one sentence."""
        return (f"{self.kind}: {self.cases} blind dents; a band for {self.share:.0%} really "
                f"holds between {self.held_low:.0%} and {self.held_high:.0%}, nine times in ten")


def score(true: float, low: float, high: float, predicted: float) -> float:
    """Distance of a true change from a range, over the prediction; negative inside."""
    return max(low - true, true - high) / max(abs(predicted), 1e-9)


def room(scores: Sequence[float], share: float = SHARE) -> tuple[float, float, float, float]:
    """Share that a band can hold, its widening, and bounds of the share that it really holds.

    The scores of m blind dents allow a share of at most m / (m + 1): 90 % needs nine dents.
    """
    ordered = np.sort(np.asarray(scores, float))
    m = ordered.size
    if m == 0:
        return 0.0, float("inf"), 0.0, 1.0
    k = min(int(np.ceil((m + 1) * share - 1e-9)), m)  # 1e-9: rounding error of the product
    # quantiles of Beta(k, m + 1 - k), the distribution of the share that is really held
    low, high = (float(betaincinv(k, m + 1 - k, edge)) for edge in (0.05, 0.95))
    return min(share, m / (m + 1)), float(ordered[k - 1]), low, high


def strength_of(true: Sequence[float], predicted: Sequence[float]) -> tuple[float, float]:
    """Median of true over predicted changes, and its spread (robust against outliers)."""
    ratio = np.asarray(true, float) / np.asarray(predicted, float)
    middle = float(np.median(ratio))
    return middle, 1.4826 * float(np.median(np.abs(ratio - middle)))


@cache
def rooms(file: Path = STORED) -> dict[str, Room]:
    """Stored calibrations by kind of answer."""
    with open(file, newline="", encoding="utf-8") as table:
        return {row["kind"]: Room(row["kind"], int(row["cases"]), *(
            float(row[name]) for name in COLUMNS[2:])) for row in csv.DictReader(table)}


def kind_of(operation: str, at_tool: bool, learned: bool = False) -> str:
    """Kind of answer of an operation, a light tap or a pull.

    at_tool: the answer is at the tool's place, else elsewhere; learned: after readings of a step
    before. Readings teach nothing about the place of the tool.
    """
    if operation != "tap-down":
        return PULL_LEARNED if learned and not at_tool else MIDDLE_PULL
    if at_tool:
        return PLACE_TAP
    return TAP_LEARNED if learned else MIDDLE_TAP
