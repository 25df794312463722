"""Operations tried out: what a strategy tries and then does is computed only once."""

from __future__ import annotations

from collections import OrderedDict

from simkit.mechanics.model import State
from simkit.mechanics.stepping.orders import Advance
from simkit.repair.operations import Operation, apply_operation
from simkit.repair.workpiece import Workpiece
from simkit.underway import doing

RESULTS_KEPT = 24
"""Results kept: those of one choice of the next step; a state is some megabytes."""

_kept: OrderedDict[tuple[int, int, Operation, bool], tuple[Workpiece, State, Advance]] = (
    OrderedDict())


def carry_out(work: Workpiece, state: State, operation: Operation, quick: bool = False) -> Advance:
    """The result of an operation on a state, remembered for the next time it is asked for.

    The same workpiece, state and operation give the same result to the last bit, so that nothing
    but time hangs on what is remembered.
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
    """Work and state are kept too, so that their identities are not given to others."""
    _kept[key] = what
    _kept.move_to_end(key)
    while len(_kept) > RESULTS_KEPT:
        _kept.popitem(last=False)


def remember(work: Workpiece, state: State, operation: Operation, result: Advance) -> None:
    """Keep the result of an operation carried out in full that is about to be asked for again."""
    _keep((id(work), id(state), operation, False), (work, state, result))


def forget() -> None:
    """Forget all results, so that the next are computed again."""
    _kept.clear()
