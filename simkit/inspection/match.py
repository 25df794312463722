"""Does a reconstructed panel hold what was measured? Judged where the damage is, spot by spot."""

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
"""A spot counts as found when its height is within the tolerance or this share of it."""
RMS_SHARE = 0.02
"""Rms difference over the largest deviation that is allowed where that is more than was asked for:
readings of a deep dent are no better than this."""


@dataclass(frozen=True)
class Criteria:
    """What a match is judged by.

    ``tolerance_mm`` from which a spot counts; ``match_mm`` rms asked for; ``goal`` largest height
    (mm), slope (mrad) and its base (mm) of a panel that counts as flat.
    """

    tolerance_mm: float
    match_mm: float
    goal: tuple[float, float, float]


@dataclass(frozen=True)
class SpotMatch:
    """One measured spot and what stands there: places, heights (mm), whether it was found."""

    kind: str
    x_mm: float
    y_mm: float
    height_mm: float
    found_mm: float
    found_x_mm: float
    found_y_mm: float
    ok: bool

    def words(self) -> str:
        """In a few words, for people."""
        return (f"{self.kind} of {self.height_mm:+.2f} mm at ({self.x_mm:.0f}, {self.y_mm:.0f}): "
                f"{self.found_mm:+.2f} mm found")


@dataclass(frozen=True)
class Match:
    """Verdict on a reconstruction.

    Attributes
    ----------
    matched : whether it holds what was measured; reason : why not.
    rms_mm : difference where the damage is; worst_mm : the largest anywhere, at worst_xy_mm;
    allowed_mm : rms allowed.
    measured_flat : whether the measured field itself is within the goal.
    lost : whether the panel is within the goal although the measured field is not.
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

    It is a match if every measured spot is found (an extreme of its sign where it is, with its
    height within the tolerance or a tenth, and beyond the tolerance itself), nothing stands out
    elsewhere that was not measured, and the rms difference where the damage is, is what was asked
    for (or 2 % of the largest deviation, if that is more).
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
    level = flatness(far, *criteria.goal).flat and not any(
        abs(one.spot.height_mm) > criteria.goal[0] for one in spots)
    faults = [one.words() for one in found if not one.ok]
    if rms > allowed:
        faults.append(f"{rms:.3f} mm rms where the damage is, {allowed:.3f} asked for")
    lost = not level and flatness(whole, *criteria.goal).flat
    if lost:
        faults.append("the panel found is within the goal although the measured one is not")
    if worst > most and not faults:
        faults.append(f"{worst:.2f} mm off at ({place[0]:.0f}, {place[1]:.0f}), where no more than "
                      f"{most:.2f} is allowed")
    return Match(not faults, rms, worst, place, allowed, level, lost, found,
                 "; ".join(faults))


def _largest(field: SampledField, gap: Array) -> tuple[float, tuple[float, float]]:
    row, column = np.unravel_index(int(np.argmax(np.abs(gap))), gap.shape)
    return (float(abs(gap[row, column])),
            (float(field.x_mm[column]), float(field.y_mm[row])))


def _damage(wanted: SampledField, found: SampledField, spots: tuple[WantedSpot, ...],
            criteria: Criteria, noise_mm: float) -> NDArray[np.bool_]:
    """Where either field stands out of half the tolerance, and every spot's half height."""
    least = max(0.5 * criteria.tolerance_mm, 2.0 * noise_mm)
    with np.errstate(invalid="ignore"):
        out = (np.abs(wanted.d_mm) > least) | (np.abs(found.d_mm) > least)
    for one in spots:
        out |= half_height(wanted, one.spot)
    return out & found.on_panel


def _found(one: WantedSpot, wanted: SampledField, close: SampledField,
           criteria: Criteria) -> SpotMatch:
    """The extreme of the spot's sign that the panel has within the spot's own size."""
    spot, sign = one.spot, float(np.sign(one.spot.height_mm))
    here = half_height(wanted, spot) & close.on_panel
    signed = np.where(here, sign * close.d_mm, -np.inf)
    row, column = np.unravel_index(int(np.argmax(signed)), signed.shape)
    height = float(close.d_mm[row, column])
    # the same grid for both, so that neither is favoured by where its nodes lie
    measured = sign * float(np.max(np.where(here, sign * wanted.d_mm, -np.inf)))
    off = abs(height - measured)
    share = HEIGHT_SHARE * abs(spot.height_mm)
    beyond = sign * height > criteria.tolerance_mm
    # what was measured just beyond the tolerance may be found just within it
    close_by = off <= max(min(criteria.match_mm, 0.5 * criteria.tolerance_mm), share)
    ok = close_by or (beyond and off <= max(criteria.tolerance_mm, share))
    return SpotMatch(spot.kind, spot.x_mm, spot.y_mm, spot.height_mm, height,
                     float(close.x_mm[column]), float(close.y_mm[row]), bool(ok))
