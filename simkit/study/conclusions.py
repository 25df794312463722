"""Statistics of many runs: paired differences and shares with intervals, and sensitivities.

Runs are paired by case, varied keys and replicate, so that two strategies are compared on the same
dents. The interval of a mean difference is Student's, since a percentile bootstrap of few pairs is
too narrow; the share of pairs in which A needs less than B has Wilson's interval. A strategy is
called better only if the interval of the mean difference excludes zero.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

CONFIDENCE_LEVEL = 0.95


@dataclass(frozen=True)
class Paired:
    """Strategy A compared with B on the same dents.

    Attributes
    ----------
    a, b : strategies; quantity : column compared; pairs : dents on which both have a value.
    mean, low, high : mean of A - B and its interval; spread : standard deviation of A - B.
    a_less : share of pairs in which A is less than B (equal values count half); odds_low,
        odds_high : its interval.
    only_a, only_b : dents on which only one has a value (the other did not reach the stage).
    """

    a: str
    b: str
    quantity: str
    pairs: int
    mean: float
    low: float
    high: float
    spread: float
    a_less: float
    odds_low: float
    odds_high: float
    only_a: int
    only_b: int

    def sentence(self) -> str:
        """The conclusion in one sentence."""
        if self.pairs < 2:
            return (f"{self.a} and {self.b} have {self.pairs} dents in common: nothing can be "
                    f"said about {self.quantity}")
        said = (f"{self.quantity}: {self.a} minus {self.b} is {self.mean:+.3g} on average "
                f"({CONFIDENCE_LEVEL:.0%} interval {self.low:+.3g} to {self.high:+.3g}, "
                f"{self.pairs} "
                f"pairs, spread {self.spread:.3g}); {self.a} is less in {self.a_less:.0%} "
                f"({self.odds_low:.0%} to {self.odds_high:.0%})")
        if self.low <= 0.0 <= self.high:
            return said + "; no difference is shown"
        return said + f"; {self.a if self.mean < 0.0 else self.b} needs less"


def paired(rows: Sequence[Mapping[str, str]], a: str, b: str, quantity: str,
           keys: Sequence[str]) -> Paired:
    """Compare two strategies by a column of runs.csv; rows that agree in the columns ``keys`` are a
    pair."""
    values = {name: {tuple(row.get(key, "") for key in keys): float(row[quantity])
                     for row in rows
                     if row["strategy"] == name and row.get(quantity, "") != ""
                     and row["status"] == "done"} for name in (a, b)}
    both = sorted(values[a].keys() & values[b].keys())
    gap = np.array([values[a][key] - values[b][key] for key in both])
    # equal values count half for each strategy, so that the shares of A and B add up to 1
    less = float(np.mean((gap < 0.0) + 0.5 * (gap == 0.0))) if gap.size else np.nan
    low, high = t_interval(gap)
    odds = wilson(less, gap.size)
    return Paired(a, b, quantity, gap.size, float(gap.mean()) if gap.size else np.nan, low, high,
                  float(gap.std(ddof=1)) if gap.size > 1 else np.nan, less, *odds,
                  len(values[a].keys() - values[b].keys()),
                  len(values[b].keys() - values[a].keys()))


def t_interval(values: np.ndarray, confidence: float = CONFIDENCE_LEVEL) -> tuple[float, float]:
    """Student's interval of a mean: mean +- t(n - 1) s / sqrt(n); (nan, nan) for fewer than two
    values."""
    if values.size < 2:
        return np.nan, np.nan
    half = float(stats.t.ppf(0.5 + 0.5 * confidence, values.size - 1)
                 * values.std(ddof=1) / np.sqrt(values.size))
    return float(values.mean()) - half, float(values.mean()) + half


def wilson(share: float, count: int, confidence: float = CONFIDENCE_LEVEL) -> tuple[float, float]:
    """Wilson's score interval of a share; (nan, nan) if ``count`` is 0."""
    if count == 0:
        return np.nan, np.nan
    z = float(stats.norm.ppf(0.5 + 0.5 * confidence))
    # roots of (p - share)^2 = z^2 p (1 - p) / n, the normal test with the variance under p itself
    centre = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * np.sqrt(share * (1 - share) / count
                                             + z * z / (4 * count * count))
    return max(0.0, centre - half), min(1.0, centre + half)


def all_pairs(rows: Sequence[Mapping[str, str]], quantity: str,
              keys: Sequence[str]) -> list[Paired]:
    """Every two strategies of the rows, in the order of their first rows."""
    names = list(dict.fromkeys(row["strategy"] for row in rows))
    return [paired(rows, a, b, quantity, keys) for a, b in itertools.combinations(names, 2)]


def sensitivities(values: np.ndarray, keys: Sequence[str],
                  count: int) -> list[tuple[str, float, float]]:
    """First-order and total Sobol' indices of a quantity, key by key (scipy.stats.sobol_indices).

    Parameters
    ----------
    values : ((keys + 2) * count,) the quantity at A, B and A with one column of B each
        (``sobol-indices`` of a study's sample), in the order of the draws.
    """
    size = len(keys)
    f = values.reshape(size + 2, count)
    given: dict[str, Callable | np.ndarray] = {
        "f_A": f[0][None], "f_B": f[1][None], "f_AB": f[2:][:, None, :]}
    found = stats.sobol_indices(func=given, n=count)
    return [(key, float(first), float(total)) for key, first, total in zip(
        keys, np.ravel(found.first_order), np.ravel(found.total_order), strict=True)]
