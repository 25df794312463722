"""Static problems without tools: load steps and equilibrium paths of a panel under given loads.

Used to verify the shell against exact and published solutions. Operations of a repair use
:mod:`simkit.mechanics.stepping.advance` instead.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import numbers, whole
from simkit.errors import InputError
from simkit.mechanics.loads import Acting, StaticLoad
from simkit.mechanics.model import Internal, Model, State
from simkit.solve.linear import SingularMatrix
from simkit.solve.nonlinear.arc import ArcEnding, ArcSettings, trace
from simkit.solve.nonlinear.newton import Ending, SingularTangent
from simkit.solve.nonlinear.stepping import StepSettings, step_through

Array = NDArray[np.float64]


@dataclass(frozen=True)
class StaticResult:
    """Result of a load-stepped problem.

    Attributes
    ----------
    factors : (m,) load factors reached, of those given.
    displacement : (m, probes, 3), mm.
    states : state at each factor; state : the last one.
    ending : CONVERGED, or how the step after the last factor failed.
    stored, plastic_work : energies at each factor, N mm.
    iterations, increments, cuts : total Newton iterations, equilibria, halved steps.
    negative_pivots : their number at each factor (None if the solver does not give it).
    force : (control points, 3) internal force at the end, N; at held displacements this is the
        reaction on the sheet.
    """

    factors: Array
    displacement: Array
    states: tuple[State, ...]
    ending: Ending
    stored: Array
    plastic_work: Array
    iterations: int
    increments: int
    cuts: int
    negative_pivots: tuple[int | None, ...]
    force: Array
    _start: State = field(repr=False)

    @property
    def state(self) -> State:
        """State at the last factor reached."""
        return self.states[-1] if self.states else self._start

    @property
    def converged(self) -> bool:
        """True if every factor was reached."""
        return self.ending is Ending.CONVERGED


@dataclass(frozen=True)
class PathResult:
    """An equilibrium path: load factors (m,), probes (m, probes, 3) mm, how it ended, halved
    steps, negative pivots of each point's tangent (odd between the limit points), last state."""

    factors: Array
    displacement: Array
    ending: ArcEnding
    cuts: int
    negative_pivots: tuple[int | None, ...]
    state: State


class StaticSystem:
    """A panel whose load factor is given or unknown, for :mod:`simkit.solve.nonlinear`."""

    def __init__(self, model: Model, state: State, load: Acting | None,
                 path: Array | None = None) -> None:
        self.model, self.state, self.acting, self.path = model, state, load, path
        self.internal: Internal | None = None
        self._at = state.displacement
        self._scale = self._peak = 0.0

    def at(self, factor: float) -> _AtFactor:
        """The system under a factor."""
        return _AtFactor(self, factor)

    def displacement(self, x: Array, factor: float) -> Array:
        """Nodal displacements (control points, 3), prescribed ones included."""
        free = self.model.layout.spread(x)
        return free if self.path is None else free + factor * self.path

    def evaluate(self, x: Array, factor: float, tangent: bool) -> Array | None:
        """Residual of the equations, N; keeps the tangent."""
        displacement = self.displacement(x, factor)
        part = self.model.internal(displacement, self.state, tangent)
        if part is None:
            return None
        self.internal, self._at = part, displacement
        outside = np.zeros_like(part.force)
        if self.acting is not None:
            self.acting.add(self.model, self.model.patch.control + displacement, factor, outside,
                            part.data, tangent)
        held = self.model.layout.equation < 0
        self._scale = max(self._peak, float(np.linalg.norm(outside)),
                          float(np.linalg.norm(part.force[held])))
        return self.model.layout.gather(part.force + outside)

    def factorise(self) -> int | None:
        """Factorise the tangent evaluated last."""
        assert self.internal is not None
        solver = self.model.factorisation()
        try:
            solver.factor(self.internal.data)
        except SingularMatrix as error:
            raise SingularTangent from error
        return solver.negative_pivots

    def solve(self, right: Array) -> Array:
        """Solve with the tangent factorised last."""
        try:
            return self.model.factorisation().solve(right)
        except SingularMatrix as error:
            raise SingularTangent from error

    def load(self) -> Array:
        """Load of factor 1 at the displacement evaluated last, N."""
        outside = np.zeros_like(self.model.patch.control)
        if self.acting is not None:
            self.acting.add(self.model, self.model.patch.control + self._at, 1.0, outside,
                            np.empty(1), False)
        return -self.model.layout.gather(outside)

    def weights(self) -> Array:
        """Equal weights with sum 1, so that the length of a step is the root mean square of the
        displacements."""
        return np.full(self.model.layout.count, 1.0 / self.model.layout.count)

    def force_scale(self) -> float:
        """Largest of load and reactions, here and at the last equilibrium, N."""
        return max(self._scale, 1e-12)

    def commit(self, x: Array, factor: float) -> None:
        """Accept the equilibrium evaluated last."""
        assert self.internal is not None
        self._peak = self._scale
        self.state = self.internal.state(self.displacement(x, factor))


@dataclass(frozen=True)
class _AtFactor:
    """The system under a given factor, with the interface of Newton's method."""

    system: StaticSystem
    factor: float

    def evaluate(self, x: Array, tangent: bool) -> Array | None:
        """Residual, N."""
        return self.system.evaluate(x, self.factor, tangent)

    def correction(self, residual: Array) -> tuple[Array, int | None]:
        """Newton step and number of negative pivots."""
        negative = self.system.factorise()
        return self.system.solve(-residual), negative

    def force_scale(self) -> float:
        """The larger of load and reactions, N."""
        return self.system.force_scale()


@dataclass(frozen=True)
class LinearResult:
    """Result of linear theory.

    displacement (probes, 3) mm; nodal (control points, 3) mm; energy: strain energy, which is half
    the load times its displacement, N mm.
    """

    displacement: Array
    nodal: Array
    energy: float


def solve_linear(model: Model, load: StaticLoad, probes: Array,
                 state: State | None = None) -> LinearResult:
    """Linear response to a load of factor 1, by the tangent at a state (None: undeformed).

    ``probes`` (probes, 2) are parameters (u, v).

    Raises
    ------
    InputError : the edges do not hold the panel, or an element is inverted.
    """
    begin = state or model.virgin()
    numbers("probes", probes, (None, 2))
    system = StaticSystem(model, begin, load.on(model))
    start = _reduce(model, begin.displacement)
    try:
        if system.evaluate(start, 0.0, True) is None:
            raise InputError("an element of the panel is inverted", "a smooth surface")
        negative = system.factorise()
        unit = system.load()
        moved = system.solve(unit)
    except SingularTangent as error:
        raise InputError("the panel can move freely", "edges that hold it") from error
    if negative:
        raise InputError("the panel is not stable", "edges that hold it, or a stable state")
    nodal = model.layout.spread(moved)
    return LinearResult(_read(model, probes, [nodal])[0], nodal, 0.5 * float(unit @ moved))


def solve_static(
    model: Model, load: StaticLoad | None, factors: Sequence[float], probes: Array,
    settings: StepSettings | None = None, state: State | None = None,
    path: Array | None = None, start: float = 0.0,
) -> StaticResult:
    """Equilibria of a panel at load factors, in order; they may rise and fall.

    Parameters
    ----------
    probes : (probes, 2) parameters (u, v) of the points whose displacements are returned.
    path : (control points, 3) displacements of held control points at factor 1, mm.
    start : load factor at which ``state`` is in equilibrium.

    Raises
    ------
    InputError : ``path`` moves a control point that is not held; wrong shapes.
    """
    numbers("factors", factors, (None,))
    numbers("probes", probes, (None, 2))
    if path is not None:
        path = numbers("path", path, model.patch.control.shape)
    begin = state or model.virgin()
    free = model.layout.equation >= 0
    if path is not None and np.any(path[free] != 0.0):
        raise InputError("a prescribed path moves control points that are free",
                         "displacements at held control points only")
    system = _Recorder(model, begin, None if load is None else load.on(model), path)
    walk = step_through(system, _reduce(model, begin.displacement), factors, settings,
                        start)
    wanted = [system.record[step.factor, step.x.tobytes()] for step in walk.steps]
    states = tuple(item[0] for item in wanted)
    return StaticResult(
        factors=np.array([step.factor for step in walk.steps]),
        displacement=_read(model, probes, [s.displacement for s in states]), states=states,
        ending=walk.ending, stored=np.array([item[1] for item in wanted]),
        plastic_work=np.array([item[2] for item in wanted]), iterations=walk.iterations,
        increments=walk.increments, cuts=walk.cuts,
        negative_pivots=tuple(step.negative_pivots for step in walk.steps),
        force=system.force, _start=begin)


class _Recorder(StaticSystem):
    """Keeps the state and energies of every equilibrium."""

    def __init__(self, model: Model, state: State, load: Acting | None,
                 path: Array | None) -> None:
        super().__init__(model, state, load, path)
        self.record: dict[tuple[float, bytes], tuple[State, float, float]] = {}
        self.force = np.zeros_like(model.patch.control)

    def commit(self, x: Array, factor: float) -> None:
        """Accept and record the equilibrium evaluated last."""
        super().commit(x, factor)
        assert self.internal is not None
        self.force = self.internal.force
        self.record[float(factor), x.tobytes()] = (
            self.state, self.internal.stored, self.internal.plastic_work)


def trace_path(
    model: Model, load: StaticLoad, settings: ArcSettings, probes: Array,
    stop: Callable[[Array, float], bool], state: State | None = None,
    control: tuple[int, Array] | None = None,
) -> PathResult:
    """Follow an equilibrium path through limit and turning points, from the state at factor 0.

    Parameters
    ----------
    settings : arc lengths are root mean squares of the free displacements, mm.
    stop : takes the probes' displacements (probes, 3) and the factor; True ends the path.
    control : (probe, direction (3,)): steps are measured by that probe's displacement instead,
        which then only increases (a prescribed displacement with an unknown load).

    Raises
    ------
    InputError : probes off the panel, an invalid control.
    """
    probes = numbers("probes", probes, (None, 2))
    begin = state or model.virgin()
    system = StaticSystem(model, begin, load.on(model))
    read = model.patch.evaluation(probes[:, 0], probes[:, 1])
    row = None
    if control is not None:
        probe = whole("control probe", control[0], 0, probes.shape[0] - 1)
        direction = numbers("control direction", control[1], (3,))
        row = model.layout.gather(np.outer(read[probe].toarray()[0], direction))

    def halt(x: Array, factor: float) -> bool:
        return stop(read @ model.layout.spread(x), factor)

    path = trace(system, _reduce(model, begin.displacement), 0.0, settings, halt, row)
    return PathResult(
        factors=path.factors,
        displacement=_read(model, probes, [model.layout.spread(p.x) for p in path.points]),
        ending=path.ending, cuts=path.cuts,
        negative_pivots=tuple(p.negative_pivots for p in path.points), state=system.state)


def _reduce(model: Model, displacement: Array) -> Array:
    """Displacement of each equation (count,) from nodal displacements (control points, 3)."""
    eq = model.layout.equation
    reduced = np.zeros(model.layout.count)
    reduced[eq[eq >= 0]] = displacement[eq >= 0]
    return reduced


def _read(model: Model, probes: Array, fields: list[Array]) -> Array:
    """Displacements of the probes in several fields, (fields, probes, 3)."""
    probes = np.asarray(probes, dtype=float)
    at = model.patch.evaluation(probes[:, 0], probes[:, 1])
    return np.array([at @ field_ for field_ in fields]).reshape(len(fields), probes.shape[0], 3)
