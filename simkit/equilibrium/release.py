"""Letting go: the shape after release, predicted while loading and then really computed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_interp_spline

from simkit.equilibrium.engagement import DeadForce
from simkit.equilibrium.model import pack_sheet
from simkit.equilibrium.process import Moment, Process
from simkit.equilibrium.system import SheetSystem
from simkit.solve.nonlinear.newton import SingularTangent

Array = NDArray[np.float64]


def predict_release(process: Process, moment: Moment, rounds: int = 3) -> Array | None:
    """Equations of the shape after elastic unloading, or None where that is unstable.

    Newton with the elastic tangent at the loaded shape, tool taken away, kept over ``rounds``
    corrections: exact as long as nothing yields on the way back and the rounds converge.
    """
    model = process.model
    count = model.layout.count
    elastic = model._cache.setdefault("elastic", pack_sheet(model.sheet, yielding=False))
    system = SheetSystem(model, moment.state, None, 0.0, elastic=elastic)
    x = moment.x[:count]
    residual = system.evaluate(x, True)
    if residual is None:
        return None
    first = float(np.linalg.norm(residual))
    try:
        dx, negative = system.correction(residual)
    except SingularTangent:
        return None
    if negative:
        return None
    for k in range(rounds):
        x = x + dx
        if k == rounds - 1:
            break
        residual = system.evaluate(x, False)
        if residual is None or float(np.linalg.norm(residual)) > 4.0 * first:
            return None
        if float(np.linalg.norm(residual)) < 1e-4 * first:
            break
        dx = system.solve(residual)
    process.iterations += 1
    return x


def let_go(process: Process, moment: Moment) -> Moment | None:
    """Take the tool away: its force fades to nothing in stages, each a balance of its own."""
    count = process.model.layout.count
    fading = DeadForce(moment.tool_nodal)
    free = predict_release(process, moment)
    now = Moment(moment.x[:count], moment.state, moment.internal, moment.tool_nodal,
                 moment.reading, 0.0)
    done, step = 0.0, 1.0 / process.settings.release_steps
    stages = [(0.0, now)]
    while done < 1.0 - 1e-12:
        share = min(1.0, done + step)
        guess = now.x
        if free is not None:
            guess = now.x + (free - now.x) * (share - done) / (1.0 - done)
        after = process.balance(now, fading, share, guess)
        if after is None and step > 0.02:
            process.cuts += 1
            step *= 0.5
            continue
        if after is None or after.negative:
            process.work += _fading_work(stages, moment.tool_nodal)
            start = now if after is None else process.book(now, after)
            after = process.settle(start, fading, share)
            if after is None:
                return None
            free, stages = None, []
        now, done = after, share
        stages.append((share, now))
    process.work += _fading_work(stages, moment.tool_nodal)
    return now


def _fading_work(stages: list[tuple[float, Moment]], nodal: Array) -> float:
    """Work of a force that fades as (1 - s) over stages of smooth motion, N mm.

    With y(s) = force . displacement: W = integral of (1 - s) dy = [(1 - s) y] + integral of y ds,
    the last by a spline through the stages (Simpson's rule for two equal ones): springback is
    curved, and the trapezoid would miss per cents of it.
    """
    if len(stages) < 2:
        return 0.0
    s = np.array([share for share, _ in stages])
    y = np.array([float((nodal * m.state.displacement).sum()) for _, m in stages])
    y = y - y[0]
    spline = make_interp_spline(s, y, k=min(3, s.size - 1))
    return float((1.0 - s[-1]) * y[-1] + spline.integrate(s[0], s[-1]))
