"""The elastic tangent of a sheet at rest, factorised."""

from __future__ import annotations

from simkit.mechanics.model import Model, State
from simkit.solve.linear import Factorisation, SingularMatrix


def elastic_factors(model: Model, state: State, name: str) -> Factorisation | None:
    """The elastic tangent of a panel at rest, factorised under a name; None where singular."""
    elastic = model.elastic_law()
    part = model.internal(state.displacement, state, False, elastic=elastic)
    data = None if part is None else model.tangent(state.displacement, state, part, elastic,
                                                   "finger", renew=True)
    if data is None:
        return None
    solver = model.factorisation(name)
    try:
        solver.factor(data)
    except SingularMatrix:
        del model.workspace.solvers[name]
        return None
    return solver
