"""Stages of a repair, and the steps and minutes until each of them was reached.

Bulk, roughed, fine, finished: each has a limit of height and one of slope, from the case's goal.
Names and limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from simkit.case.repair import STAGE_NAMES, Goal
from simkit.mechanics.outcome import Outcome

STALL_STEPS, STALL_SHARE = 12, 0.98
"""A repair stalls if in so many steps neither the largest excess over the limits nor the measure of
what is beyond them has fallen below this share of its smallest value before."""


class Reading(Protocol):
    """Quantities that decide a stage: largest low (<= 0) and high, mm; slope deviation, mrad."""

    @property
    def max_low_mm(self) -> float:
        """Largest low, zero or negative, mm."""

    @property
    def max_high_mm(self) -> float:
        """Largest high, zero or positive, mm."""

    @property
    def slope_mrad(self) -> float:
        """Largest slope deviation, mrad."""


class TimedReading(Reading, Protocol):
    """A reading after a step, with the step's number and its minutes."""

    @property
    def step(self) -> int:
        """Number of the step."""

    @property
    def minutes(self) -> float:
        """Minutes of the step."""

    @property
    def outcome(self) -> str:
        """Outcome of the step."""

    @property
    def held_N(self) -> float:
        """Force held after it, N; heights under a held force do not count for a stage."""


class LeftReading(Reading, Protocol):
    """A reading with the measure of the deviation beyond the limits."""

    @property
    def left_mm2(self) -> float:
        """Beyond the limits, mm^2."""


def largest_height(reading: Reading) -> float:
    """Largest height of a panel, low or high, mm."""
    return max(-reading.max_low_mm, reading.max_high_mm)


def meets(goal: Goal, stage: str, reading: Reading) -> bool:
    """Whether a panel has reached a stage."""
    height, slope = goal.limits_of(stage)
    return largest_height(reading) <= height and reading.slope_mrad <= slope


def excess(goal: Goal, reading: Reading, stage: str | None = None) -> float:
    """Larger of height and slope over their limits at a stage, by default the goal's; 1 or less is
    within."""
    height, slope = goal.limits_of(stage or goal.stage)
    return max(largest_height(reading) / height, reading.slope_mrad / slope)


def stage_of(goal: Goal, reading: Reading) -> str:
    """Finest stage that is met; empty if none is."""
    return next((stage for stage in reversed(STAGE_NAMES) if meets(goal, stage, reading)), "")


def next_stage(goal: Goal, readings: Iterable[Reading]) -> str:
    """The next stage of fine work: fine; or the goal if fine was met once or the goal is coarser.

    readings : after each step so far. Both have the same limit of height; if a step on the way to
    finished exceeds it by a little, work towards fine would mend that and spoil the slopes.
    """
    fine = goal.limits_of("fine")
    coarser = goal.limits[0] >= fine[0] and goal.limits[1] >= fine[1]
    met = coarser or any(meets(goal, "fine", reading) for reading in readings)
    return goal.stage if met else "fine"


def steps_of(rows: Sequence[TimedReading]) -> int:
    """Number of steps in rows from step 0 on, without those that found nothing to do."""
    return rows[-1].step - sum(row.outcome in Outcome.idle_words() for row in rows)


def effort(goal: Goal, rows: Sequence[TimedReading]) -> dict[str, tuple[int, float] | None]:
    """Steps and minutes until each stage was first met; None for one not reached.

    rows : of all steps from step 0 on.
    """
    found: dict[str, tuple[int, float] | None] = {}
    for stage in STAGE_NAMES:
        first = next((k for k, row in enumerate(rows)
                      if row.held_N == 0.0 and meets(goal, stage, row)), None)
        found[stage] = None if first is None else (
            steps_of(rows[: first + 1]), sum(row.minutes for row in rows[: first + 1]))
    return found


def stagnates(goal: Goal, rows: Sequence[LeftReading], steps: int = STALL_STEPS) -> bool:
    """Whether the last steps have brought the panel no nearer to its limits, see STALL_STEPS."""
    if len(rows) <= steps + 1:
        return False
    largest = [excess(goal, row) for row in rows]
    left = [row.left_mm2 for row in rows]
    return all(min(values[-steps:]) > STALL_SHARE * min(values[:-steps])
               for values in (largest, left))
