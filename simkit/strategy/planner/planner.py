"""The planner: from the panel as it stands to the step that leads furthest, and why.

While the dent is deep it solves lines of two steps (`deep`). After the main lift it adds influence
fields two steps ahead (`ahead`), solves the best few for true, and takes the one that leads
furthest from what it really leaves. What each solve shows is kept (`influence`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import excess
from simkit.strategy.choice import NOT_DONE, tried_out
from simkit.strategy.planner import deep
from simkit.strategy.planner.ahead import PICKED, Ahead, Pool, best_steps, look_ahead, steps_to_go
from simkit.strategy.planner.candidates import lattice, make_pool, ways_of, worst_places
from simkit.strategy.planner.influence import Library, Way
from simkit.strategy.planner.words import Choice, Decision, decide
from simkit.strategy.planner.yardstick import Yardstick, make_yardstick, power_at

Array = np.ndarray
VERIFIED = 5
"""So many candidates are solved for true before one is taken."""
LEAST_GAIN = 0.005
"""A step that lowers the merit by less than this share is not worth it."""


@dataclass
class Planner:
    """Search for the fewest steps (or minutes, or least stretch) to the goal.

    ``objective``: steps, minutes or stretch. The planner remembers what its solves taught and why
    it chose (``decision``), so that one planner serves one repair.
    """

    objective: str = "steps"
    name: str = "planner"
    decision: Decision | None = None
    _library: Library | None = field(default=None, repr=False)
    _limits: tuple[float, float] | None = field(default=None, repr=False)

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`; says why in ``decision``."""
        if session.now.row.flat:
            return None
        yard = self._yardstick(session)
        row = session.now.row
        deepest = max(-row.max_low_mm, row.max_high_mm)
        choices: list[Choice] = []
        if deepest > deep.DEEP_MM:
            choices = self._lift(session)
        if not choices:
            choices = self._refine(session, yard)
        self.decision = decide(session, choices, self.objective)
        return self.decision.operation if self.decision else None

    def _yardstick(self, session: Session) -> Yardstick:
        """Yardstick for the stage that comes next; a new one keeps what is known."""
        limits = session.work.case.goal.limits
        if self._library is None or self._limits != limits:
            self._library = Library(make_yardstick(session.work, limits))
            self._limits = limits
        return self._library.yardstick

    def _solve(self, session: Session, operation: Operation) -> Session | None:
        """A step solved for true; None where the tool does not fit or no balance is found."""
        after = tried_out(session, operation)
        if after is None or after.now.row.outcome in NOT_DONE:
            return None
        assert self._library is not None
        if max(-session.now.row.max_low_mm, session.now.row.max_high_mm) <= deep.DEEP_MM:
            self._library.learn(operation, session, after)
        return after

    def _lift(self, session: Session) -> list[Choice]:
        """Lines of two solved steps from a deep dent."""
        before = np.sqrt(session.now.row.left_mm2)
        lines = deep.search(session, self._solve)
        return [Choice(line.operation, line.after, float(np.sqrt(line.left_mm2)) / before,
                       float(np.sqrt(line.later_mm2)) / before, line.second)
                for line in lines if line.later_mm2 < (1.0 - LEAST_GAIN) * before**2]

    def _refine(self, session: Session, yard: Yardstick) -> list[Choice]:
        """The best of the candidates of all ways, solved for true."""
        assert self._library is not None
        parts = yard.read(session.now.field)
        power = power_at(float(yard.use(parts).max()))
        merit = float(yard.merit(parts, power))
        worst = worst_places(session, yard, parts)
        self._measure(session, worst)
        pool = make_pool(session, self._library, worst + lattice(session))
        if not len(pool.ways):
            return []
        largest = largest_change(session)
        ranked = look_ahead(yard, parts, pool, largest, power)
        ranked = self._with_worst(yard, parts, pool, ranked, worst, largest, power)
        choices: list[Choice] = []
        for count, ahead in enumerate(ranked):
            if count >= VERIFIED and (choices or count >= 2 * VERIFIED):
                break
            choice = self._verified(session, yard, pool, ahead, largest, power, merit)
            if choice is not None:
                choices.append(choice)
        return choices

    def _verified(self, session: Session, yard: Yardstick, pool: Pool, ahead: Ahead,
                  largest: float, power: int, merit: float) -> Choice | None:
        """A candidate solved for true, with the best step foreseen after what it really leaves."""
        operation = operation_of(session, pool, ahead)
        after = self._solve(session, operation)
        if after is None or after.now.row.snapped:
            return None
        left = yard.read(after.now.field)
        now = float(yard.merit(left, power))
        steps = best_steps(yard, left, pool, largest, power, PICKED // 2)
        later = min(now, steps[0][2]) if steps else now
        if now > (1.0 - LEAST_GAIN) * merit and later > (1.0 - 2.0 * LEAST_GAIN) * merit:
            return None
        togo = steps_to_go(yard, left, pool, largest) if ahead.later <= 1.2 * merit else None
        return Choice(operation, after, now / merit, later / merit, None, togo)

    def _measure(self, session: Session, places: Sequence[tuple[float, float]]) -> None:
        """One solve for each way of which nothing is known yet, at the worst place it fits."""
        assert self._library is not None
        tilt = largest_change(session)
        for way in ways_of(session):
            if way in self._library.known:
                continue
            for x, y in places[:2]:
                if way.kind == "push" and not session.work.reaches(x, y):
                    continue
                here = height_at(session, x, y)
                goal = round(here + way.sign * min(0.4 * tilt, 0.15), 4)
                self._solve(session, Operation(way.kind, way.tool, x, y, goal, way.angle_deg))
                if way in self._library.known:
                    break

    def _with_worst(self, yard: Yardstick, parts: Array, pool: Pool, ranked: list[Ahead],
                    worst: Sequence[tuple[float, float]], largest: float, power: int
                    ) -> list[Ahead]:
        """The ranking, thinned of near twins, with the best at a worst place among the first."""
        thin: list[Ahead] = []
        for ahead in ranked:
            k = ahead.candidate
            if not any(pool.ways[kept.candidate] == pool.ways[k]
                       and np.hypot(pool.x_mm[kept.candidate] - pool.x_mm[k],
                                    pool.y_mm[kept.candidate] - pool.y_mm[k]) < 8.0
                       for kept in thin):
                thin.append(ahead)
        here = [k for k, ahead in enumerate(thin)
                if (pool.x_mm[ahead.candidate], pool.y_mm[ahead.candidate]) in worst]
        if here and here[0] >= VERIFIED:
            thin.insert(VERIFIED - 1, thin.pop(here[0]))
        elif not here:
            mask = [k for k in range(len(pool.ways)) if (pool.x_mm[k], pool.y_mm[k]) in worst]
            if mask:
                some = Pool(tuple(pool.ways[k] for k in mask), pool.x_mm[mask], pool.y_mm[mask],
                            pool.influence[mask])
                best = best_steps(yard, parts, some, largest, power)
                if best:
                    k, change, merit = best[0]
                    thin.insert(VERIFIED - 1, Ahead(mask[k], change, merit, merit))
        return thin


def largest_change(session: Session) -> float:
    """Largest change at a place that fine work tries, mm."""
    row = session.now.row
    return float(np.clip(1.5 * max(-row.max_low_mm, row.max_high_mm), 0.1, 1.0))


def height_at(session: Session, x_mm: float, y_mm: float) -> float:
    """Deviation at a place of the plan, from the sampled field, mm."""
    now = session.now.field
    column = int(np.argmin(np.abs(now.x_mm - x_mm)))
    row = int(np.argmin(np.abs(now.y_mm - y_mm)))
    value = float(now.d_mm[row, column])
    return value if np.isfinite(value) else 0.0


def operation_of(session: Session, pool: Pool, ahead: Ahead) -> Operation:
    """The operation of a candidate with its change."""
    way, x, y = pool.ways[ahead.candidate], pool.x_mm[ahead.candidate], pool.y_mm[ahead.candidate]
    goal = height_at(session, float(x), float(y)) + ahead.change_mm
    return Operation(way.kind, way.tool, float(x), float(y), round(goal, 4), way.angle_deg)


def largest_excess(session: Session) -> float:
    """Largest excess over the goal's limits as the panel stands."""
    return excess(session.work.case.goal, session.now.row)


__all__ = ["Planner", "Way"]
