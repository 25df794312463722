"""Comparison of a reconstructed panel with the measured field: in the damage, and spot by spot."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.dent.field import DepthField
from simkit.inspection.measured import WantedSpot, field_on, half_height
from simkit.inspection.measures import flatness
from simkit.inspection.spots import Array, SampledField

HEIGHT_SHARE = 0.1
"""A spot counts as found if its height agrees within the tolerance or this share of it."""
RMS_SHARE = 0.02
"""Rms difference over the largest deviation that is allowed if it is more than the required one,
because readings of a deep dent are not more accurate."""


@dataclass(frozen=True)
class Criteria:
    """Criteria of a match.

    ``tolerance_mm``: smallest height of a spot; ``match_mm``: required rms difference; ``goal``:
    largest height (mm), largest slope (mrad) and its base (mm) of a panel that counts as flat.
    """

    tolerance_mm: float
    match_mm: float
    goal: tuple[float, float, float]


@dataclass(frozen=True)
class SpotMatch:
    """One measured spot and the spot found there: places, heights (mm), whether they agree."""

    kind: str
    x_mm: float
    y_mm: float
    height_mm: float
    found_mm: float
    found_x_mm: float
    found_y_mm: float
    ok: bool

    def words(self) -> str:
        """Short description."""
        return (f"{self.kind} of {self.height_mm:+.2f} mm at ({self.x_mm:.0f}, {self.y_mm:.0f}): "
                f"{self.found_mm:+.2f} mm found")


@dataclass(frozen=True)
class Match:
    """Verdict on a reconstruction.

    Attributes
    ----------
    matched : whether the panel agrees with the measurement; reason : why not.
    rms_mm : rms difference in the damage; allowed_mm : largest one allowed.
    worst_mm : largest difference anywhere; worst_xy_mm : its place.
    measured_flat : whether the measured field itself is within the goal.
    lost : True if the panel is within the goal although the measured field is not.
    spots : every measured low and high.
    """

    matched: bool
    rms_mm: float
    worst_mm: float
    worst_xy_mm: tuple[float, float]
    allowed_mm: float
    measured_flat: bool
    lost: bool
    spots: tuple[SpotMatch, ...]
    reason: str

    def notes(self) -> dict[str, Any]:
        """As a mapping for a record."""
        return asdict(self)


def judge(depth: DepthField, spots: tuple[WantedSpot, ...], close: SampledField,
          whole: SampledField, criteria: Criteria) -> Match:
    """Compare a reconstructed panel with the measured field.

    Parameters
    ----------
    close, whole : the reconstructed deviation on a fine grid round the damage and on the whole
        panel.

    They match if every measured spot is found (an extreme of the same sign at its place, with a
    height that agrees within the tolerance or 10 % and is itself beyond the tolerance), if there is
    no large difference elsewhere, and if the rms difference in the damage is at most the required
    one or 2 % of the largest deviation.
    """
    wanted = field_on(depth, close)
    gap = np.where(close.on_panel, close.d_mm - wanted.d_mm, 0.0)
    damage = _damage(wanted, close, spots, criteria, depth.noise_mm)
    peak = max(abs(depth.lowest_mm), depth.highest_mm)
    rms = float(np.sqrt(np.mean(gap[damage] ** 2))) if damage.any() else 0.0
    far = field_on(depth, whole)
    stray = np.where(whole.on_panel, whole.d_mm - far.d_mm, 0.0)
    worst, place = max((_largest(close, gap), _largest(whole, stray)), key=lambda one: one[0])
    found = tuple(_found(one, wanted, close, criteria) for one in spots)
    allowed = max(criteria.match_mm, RMS_SHARE * peak)
    most = max(criteria.tolerance_mm, HEIGHT_SHARE * peak, 3.0 * depth.noise_mm)
    # a narrow spot may fall between the points of the coarse grid: the spots are checked as well
    level = flatness(far, *criteria.goal).flat and not any(
        abs(one.spot.height_mm) > criteria.goal[0] for one in spots)
    faults = [one.words() for one in found if not one.ok]
    if rms > allowed:
        faults.append(f"{rms:.3f} mm rms in the damage, {allowed:.3f} allowed")
    lost = not level and flatness(whole, *criteria.goal).flat
    if lost:
        faults.append("the panel found is within the goal although the measured one is not")
    # a stray difference is named only if no spot explains it already
    if worst > most and not faults:
        faults.append(f"{worst:.2f} mm difference at ({place[0]:.0f}, {place[1]:.0f}), "
                      f"{most:.2f} allowed")
    return Match(not faults, rms, worst, place, allowed, level, lost, found,
                 "; ".join(faults))


def _largest(field: SampledField, gap: Array) -> tuple[float, tuple[float, float]]:
    """Largest magnitude of a difference (ny, nx), and its place."""
    row, column = np.unravel_index(int(np.argmax(np.abs(gap))), gap.shape)
    return (float(abs(gap[row, column])),
            (float(field.x_mm[column]), float(field.y_mm[row])))


def _damage(wanted: SampledField, found: SampledField, spots: tuple[WantedSpot, ...],
            criteria: Criteria, noise_mm: float) -> NDArray[np.bool_]:
    """Where either field exceeds half the tolerance, and every spot above half its height."""
    least = max(0.5 * criteria.tolerance_mm, 2.0 * noise_mm)
    with np.errstate(invalid="ignore"):
        out = (np.abs(wanted.d_mm) > least) | (np.abs(found.d_mm) > least)
    for one in spots:
        out |= half_height(wanted, one.spot)
    return out & found.on_panel


def _found(one: WantedSpot, wanted: SampledField, close: SampledField,
           criteria: Criteria) -> SpotMatch:
    """The extreme of the same sign that the panel has within the size of a measured spot."""
    spot, sign = one.spot, float(np.sign(one.spot.height_mm))
    here = half_height(wanted, spot) & close.on_panel
    signed = np.where(here, sign * close.d_mm, -np.inf)
    row, column = np.unravel_index(int(np.argmax(signed)), signed.shape)
    height = float(close.d_mm[row, column])
    # both heights are taken on the same grid, so that its nodes favour neither
    measured = sign * float(np.max(np.where(here, sign * wanted.d_mm, -np.inf)))
    off = abs(height - measured)
    share = HEIGHT_SHARE * abs(spot.height_mm)
    beyond = sign * height > criteria.tolerance_mm
    # a spot measured just beyond the tolerance may be found just within it
    close_by = off <= max(min(criteria.match_mm, 0.5 * criteria.tolerance_mm), share)
    ok = close_by or (beyond and off <= max(criteria.tolerance_mm, share))
    return SpotMatch(spot.kind, spot.x_mm, spot.y_mm, spot.height_mm, height,
                     float(close.x_mm[column]), float(close.y_mm[row]), bool(ok))
