"""Results of operations are kept for a while: what a strategy tries and then does is computed once.
"""

from __future__ import annotations

from collections import OrderedDict

from simkit.mechanics.model import State
from simkit.mechanics.stepping.orders import Advance
from simkit.repair.operations import Operation, apply_operation
from simkit.repair.workpiece import Workpiece
from simkit.underway import doing

RESULTS_KEPT = 24
"""Number of results kept, enough for one choice of the next step; a state takes some megabytes."""

_kept: OrderedDict[tuple[int, int, Operation, bool], tuple[Workpiece, State, Advance]] = (
    OrderedDict())


def carry_out(work: Workpiece, state: State, operation: Operation, quick: bool = False) -> Advance:
    """The result of an operation on a state, kept for the next request.

    The same workpiece, state and operation give the same result to the last bit, so keeping it
    changes only the time.
    """
    key = (id(work), id(state), operation, quick)
    if key in _kept:
        _kept.move_to_end(key)
        return _kept[key][2]
    with doing(f"{operation.kind} {operation.tool} at ({operation.x_mm:.0f}, "
               f"{operation.y_mm:.0f})"):
        result = apply_operation(work, state, operation, quick=quick)
    _keep(key, (work, state, result))
    return result


def _keep(key: tuple[int, int, Operation, bool], what: tuple[Workpiece, State, Advance]) -> None:
    """Keep a result, and with it workpiece and state, so that their ids are not used again."""
    _kept[key] = what
    _kept.move_to_end(key)
    while len(_kept) > RESULTS_KEPT:
        _kept.popitem(last=False)


def remember(work: Workpiece, state: State, operation: Operation, result: Advance,
             quick: bool = False) -> None:
    """Keep the result of an operation that will be requested again, complete or ``quick``."""
    _keep((id(work), id(state), operation, quick), (work, state, result))


def forget() -> None:
    """Delete all results, so that the next ones are computed again."""
    _kept.clear()
