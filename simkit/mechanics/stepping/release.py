"""Release of a tool: the sheet's equilibria until it is free, and the work of the tool."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator, make_interp_spline

from simkit.mechanics.contact.engagement import DeadForce, Engagement, Softened, Withdrawal
from simkit.mechanics.stepping.forecast import elastic_system
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.snapping import snap_through
from simkit.solve.linear import SingularMatrix
from simkit.solve.nonlinear.newton import SingularTangent, length, work_of
from simkit.underway import beat

Array = NDArray[np.float64]
Curve = list[tuple[float, float, float | None]]
"""(travel, mm; force, N; slope, N/mm, None if unknown) of each point."""
Stages = list[tuple[float, float, float | None]]
"""(share of the force removed; full force times displacement, N mm; its derivative by the share,
None if unknown) of each stage."""
RESIDUAL_GROWTH_LIMIT = 4.0
"""Ratio of residuals above which the search for the free shape is given up."""
LAST_TOUCH_FORCE_SHARE = 0.05
"""Share of a tool's force below which its path back is not followed further."""
SLOPE_MM = 1e-4
"""Largest displacement of a finite difference of the internal forces."""
SHORTEST_STAGE = 0.02
"""Smallest share of the force removed in one stage; if it finds no equilibrium, the sheet snaps."""
LEAST_TOOL_STIFFNESS_SHARE = 1e-5
"""Share of its stiffness below which a softened tool is removed."""


@dataclass(frozen=True)
class Released:
    """A released sheet, and the work of the tool on it since the release began, N mm."""

    point: Equilibrium
    work: float


@dataclass(frozen=True)
class Outlook:
    """Beginning of a release.

    stable: whether the loaded shape is stable without the tool; free: predicted free shape
    (equations), None if unknown; slope: derivative of force times displacement by the share of the
    force removed, at the beginning, N mm.
    """

    stable: bool
    free: Array | None = None
    slope: float | None = None


def look_ahead(process: Process, point: Equilibrium, predicted_free: Array | None = None,
               rounds: int = 3) -> Outlook:
    """Stability and first estimate of a release, by the elastic tangent at the loaded shape.

    If no free shape is given as ``predicted_free``, up to ``rounds`` corrections with this tangent
    estimate it.
    """
    system = elastic_system(process, point, "solver")
    x = point.x[: process.model.layout.count]
    residual = system.evaluate(x, True)
    if residual is None:
        return Outlook(stable=False)
    first = length(residual)
    try:
        dx, negative = system.correction(residual)
    except SingularTangent:
        return Outlook(stable=False)
    if negative:
        return Outlook(stable=False)
    process.iterations += 1
    slope = _falling(process, point, point.tool_nodal, dx, system.elastic)
    if predicted_free is not None:
        return Outlook(True, predicted_free, slope)
    for k in range(rounds):
        x = x + dx
        if k == rounds - 1:
            break
        residual = system.evaluate(x, False)
        if residual is None or length(residual) > RESIDUAL_GROWTH_LIMIT * first:
            return Outlook(True, None, slope)
        if length(residual) < 1e-4 * first:
            break
        dx = system.solve(residual)
    return Outlook(True, x, slope)


def release_tool(process: Process, point: Equilibrium, tool: Engagement,
                 before: Equilibrium | None = None,
                 predicted_free: Array | None = None) -> Released | None:
    """Take the tool away; None if no equilibrium is found.

    If the sheet is stable without the tool at the loaded shape, the tool's force is reduced to zero
    in stages. If it is not (it would snap under a prescribed force), the tool is taken away by its
    own ``withdrawal``, for example by prescribed travel, which stays stable much longer.
    ``before``: the equilibrium one increment earlier, for the first guess; ``predicted_free``: the
    free shape, if known.
    """
    ahead = look_ahead(process, point, predicted_free)
    after = _fade(process, point, ahead, may_snap=False) if ahead.stable else None
    if after is None and tool.withdrawal is Withdrawal.DRAWN_BACK:
        after = _withdraw(process, point, tool, before or point)
    if after is None and tool.withdrawal is Withdrawal.SOFTENED:
        after = _soften(process, point, cast(Softened, tool))
    return after or _fade(process, point, ahead)


def _soften(process: Process, point: Equilibrium, tool: Softened) -> Released | None:
    """Reduce the stiffness of a tool's springs to zero, by the same factor in each step."""
    now, share, factor = point, 1.0, 0.1
    while share > LEAST_TOOL_STIFFNESS_SHARE:
        weaker = tool.weaker(share * factor)
        after = process.equilibrium(now, weaker, point.travel, now.x)
        if after is None or after.negative:
            process.cuts += 1
            factor = factor**0.5
            if factor > 0.9:
                break
            continue
        now, share = after, share * factor
    final = process.equilibrium(now, None, 0.0, now.x, ends=True)
    if final is None or final.negative:
        final = snap_through(process, now, None, 0.0)
    return None if final is None else Released(final, final.work - point.work)


def _withdraw(process: Process, point: Equilibrium, tool: Engagement,
              came: Equilibrium) -> Released | None:
    """Draw the tool back until its force is nearly zero, then take it away.

    Its work is force times travel, plus the energy of its springs (contact penalty, glue), which
    goes into the sheet.
    """
    now, before = point, came
    whole = max(point.travel, 0.5)
    largest = 0.6 * whole / process.settings.stages
    step, smallest = 0.3 * largest, 0.001 * whole
    curve: Curve = [(point.travel, point.reading.force_N, None)]
    while now.reading.force_N > LAST_TOUCH_FORCE_SHARE * point.reading.force_N:
        step = min(step, _to_go(curve))
        travel = now.travel - step
        beat(f"letting go, {travel:.2f} mm of travel")
        guess = now.x
        if now is not before:
            # linear extrapolation: first from the last increment of loading, then of unloading
            ahead = step / (before.travel - now.travel)
            guess = now.x + min(max(ahead, -2.0), 2.0) * (now.x - before.x)
        after = process.equilibrium(now, tool, travel, guess, rate=True)
        if (after is None or (after.negative and tool.unknowns == 0)
                or process.jumped(now, after)):
            process.cuts += 1
            step *= 0.5
            if step < smallest:
                back = (point.reading.held_Nmm - now.reading.held_Nmm
                        - travelled_work(curve[::-1]))
                rest = _fade(process, now, Outlook(stable=False))
                return None if rest is None else Released(rest.point, back + rest.work)
            continue
        before, now = now, after
        curve.append(_closed(curve, now))
        if after.iterations <= 5:
            step = min(1.6 * step, largest)
    guess = now.x
    if now.reading.force_N > 0.0 and len(curve) > 1:
        guess = now.x + (now.travel - _lost(curve)) / (before.travel - now.travel) * (
            now.x - before.x)
    back = point.reading.held_Nmm - now.reading.held_Nmm - travelled_work(curve[::-1])
    count = process.model.layout.count
    last = now.alone(count)
    final = process.equilibrium(last, None, 0.0, guess[:count], ends=True)
    if final is None or final.negative:
        final = snap_through(process, last, None, 0.0)
    return None if final is None else Released(final, back + final.work - last.work)


def _lost(curve: Curve) -> float:
    """Travel at which the force is zero, by linear extrapolation of the last two points."""
    (t0, f0, _), (t1, f1, _) = curve[-2:]
    return t1 - f1 * (t0 - t1) / (f0 - f1) if f0 > f1 else t1


def _to_go(curve: Curve) -> float:
    """80 % of the travel to zero force by linear extrapolation; infinite if the force rises."""
    if len(curve) < 2 or curve[-2][1] <= curve[-1][1]:
        return np.inf
    return 0.8 * (curve[-1][0] - _lost(curve))


def _closed(curve: Curve, now: Equilibrium) -> tuple[float, float, float | None]:
    """The next point of the path back.

    If contact was lost within the step, this is the extrapolated travel at which it was lost, since
    the tool does no work after that.
    """
    if now.reading.force_N > 0.0 or len(curve) < 2:
        return now.travel, now.reading.force_N, now.slope
    lost = _lost(curve)
    return (lost if now.travel < lost < curve[-1][0] else now.travel), 0.0, None


def travelled_work(curve: Curve) -> float:
    """Work of a rigid tool without friction, N mm: force (N) times travel (mm, rising).

    Cubic interpolation with the slopes (N/mm) of the points; a missing slope is estimated, that of
    the first point by a parabola through the second.
    """
    if len(curve) < 2:
        return 0.0
    travel, force = np.array([(t, f) for t, f, _ in curve]).T
    slopes = PchipInterpolator(travel, force).derivative()(travel)
    for k, (_, _, slope) in enumerate(curve):
        if slope is not None:
            slopes[k] = slope
    if curve[0][2] is None and curve[1][2] is not None:
        chord = (force[1] - force[0]) / (travel[1] - travel[0])
        slopes[0] = np.clip(2.0 * chord - slopes[1], min(0.0, 3.0 * chord), max(0.0, 3.0 * chord))
    return float(CubicHermiteSpline(travel, force, slopes).integrate(travel[0], travel[-1]))


def _fade(process: Process, point: Equilibrium, ahead: Outlook,
          may_snap: bool = True) -> Released | None:
    """Reduce the tool's force to zero in stages, each one an equilibrium.

    Returns None if no equilibrium is found, or if the sheet snaps without ``may_snap``. A stage
    whose work differs from the change of energy has jumped over a snap: it is halved, and below
    SHORTEST_STAGE the snap is followed by `snap_through`.
    """
    count = process.model.layout.count
    fading = DeadForce(point.tool_nodal)
    now, work = point.alone(count), 0.0
    free, count_stages = ahead.free, process.settings.stages
    shares = [(k + 1) / count_stages for k in range(count_stages)]
    done, step = 0.0, 1.0
    stages: Stages = [(0.0, _along(fading, now), ahead.slope)]
    while done < 1.0 - 1e-12:
        share = min(next(s for s in shares if s > done + 1e-9), done + step)
        guess = now.x
        beat(f"letting go, {share:.0%}")
        if free is not None:
            guess = now.x + (free - now.x) * (share - done) / (1.0 - done)
        after = process.equilibrium(now, fading, share, guess, ends=share == 1.0)
        sure = after is not None and not after.negative
        stage: tuple[float, float, float | None] = (share, 0.0, None)
        if after is not None and sure:
            stage = (share, _along(fading, after), _falling(process, after, fading.nodal))
            missing = (fading_work([*stages[-1:], stage]) - after.internal.energy
                       + now.internal.energy)
            given = work + fading_work([*stages, stage])
            sure = not stages or abs(missing) <= process.may_miss(point, given)
        if step > SHORTEST_STAGE and (after is None or not (sure or after.negative)):
            process.cuts += 1
            step = 0.5 * (share - done)
            continue
        if after is None or not sure:
            if not may_snap:
                return None
            after = snap_through(process, now, fading, share)
            if after is None:
                return None
            work += fading_work(stages) + after.work - now.work
            free, stages = None, []
            stage = (share, _along(fading, after), _falling(process, after, fading.nodal))
        now, done = after, share
        stages.append(stage)
    return Released(now, work + fading_work(stages))


def _along(fading: DeadForce, point: Equilibrium) -> float:
    """Full force times displacement, N mm."""
    return work_of(fading.nodal, point.state.displacement)


def _falling(process: Process, point: Equilibrium, nodal: Array, dx: Array | None = None,
             elastic: Array | None = None) -> float | None:
    """Derivative of full force times displacement by the share s removed, N mm; None if unknown.

    K dx/ds = -f with the tangent factored last. Kept element tangents give an error of about 10 %,
    so the solution is corrected once, with a finite difference of the internal forces. ``dx``:
    dx/ds, if known.
    """
    lay, solver = process.model.layout, process.model.factorisation("solver")
    force = lay.gather(nodal)
    try:
        if dx is None:
            dx = -solver.solve(force)
        small = SLOPE_MM / max(float(np.abs(dx).max(initial=0.0)), 1e-12)
        on = process.model.internal(point.state.displacement + small * lay.spread(dx),
                                    point.state, False, elastic=elastic)
        if on is None:
            return None
        rate = lay.gather(on.force - point.internal.force) / small
        return work_of(force, dx - solver.solve(force + rate))
    except SingularMatrix:
        return None


def fading_work(stages: Stages) -> float:
    """Work of a force that is reduced as (1 - s) over stages of smooth motion, N mm.

    With y(s) = force . displacement: W = integral of (1 - s) dy = [(1 - s) y] + integral of y ds.
    y is interpolated by cubics, with slopes where known, because it is curved: the error of the
    trapezoidal rule would be several per cent.
    """
    if len(stages) < 2:
        return 0.0
    s, y = np.array([(share, along) for share, along, _ in stages]).T
    y = y - y[0]
    if all(slope is not None for _, _, slope in stages):
        curve = CubicHermiteSpline(s, y, [slope for _, _, slope in stages])
    else:
        curve = make_interp_spline(s, y, k=min(3, s.size - 1))
    return float((1.0 - s[-1]) * y[-1] + curve.integrate(s[0], s[-1]))
