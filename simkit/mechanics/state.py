"""State of the sheet, and the result of one evaluation of its forces."""

from __future__ import annotations

import weakref
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simkit.kernels.pool import ArrayPool
from simkit.mechanics.standing import Standing

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class State:
    """State of the sheet; its arrays are read-only.

    Attributes
    ----------
    displacement : (control points, 3), mm.
    points : (elements, gauss points, layers, numbers) state of every layer point, see
        :mod:`simkit.material.j2`.
    since : the ``points`` array of the state before and the elements in which this one differs from
        it, if known.
    standing : tools that are held.
    """

    displacement: Array
    points: Array
    since: tuple[weakref.ref[Array], Ints] | None = field(default=None, compare=False, repr=False)
    standing: tuple[Standing, ...] = ()

    def __post_init__(self) -> None:
        self.displacement.setflags(write=False)
        self.points.setflags(write=False)

    def __getstate__(self) -> dict:
        return {**self.__dict__, "since": None}

    def changed(self, other: State) -> Ints | None:
        """Elements whose points may differ from another state's; None if that is not known."""
        if self.points is other.points:
            return np.empty(0, dtype=np.int64)
        mine, others = self.since, other.since
        if mine is not None and mine[0]() is other.points:
            return mine[1]
        if others is not None and others[0]() is self.points:
            return others[1]
        # both states follow from the same third one
        if mine is not None and others is not None and mine[0]() is others[0]() is not None:
            return np.union1d(mine[1], others[1])
        return None


class Internal:
    """Result of one evaluation of the sheet.

    Attributes
    ----------
    force : (control points, 3), N.
    data : tangent values; one number if no tangent was formed.
    stored, plastic_work : elastic energy, and plastic work since the undeformed panel, N mm.
    flowing : increasing numbers of the elements whose points changed or that were evaluated one by
        one; fresh : their points.
    standing : held tools, whose forces on the sheet are subtracted in ``force``.
    held : their potential, N mm.
    """

    def __init__(self, force: Array, data: Array, energy: Array, begin: Array, flowing: Ints,
                 fresh: Array, pool: ArrayPool) -> None:
        self.force, self.data = force, data
        self.stored, self.plastic_work = float(energy[:, 0].sum()), float(energy[:, 1].sum())
        self.flowing, self.fresh, self._begin, self._pool = flowing, fresh, begin, pool
        self._points: Array | None = None
        self.standing: tuple[Standing, ...] = ()
        self.held = 0.0

    @property
    def energy(self) -> float:
        """Stored energy, plastic work and potential of held tools, N mm; ``force`` is its
        derivative by the displacements."""
        return self.stored + self.plastic_work + self.held

    @property
    def points(self) -> Array:
        """Layer states at the end of the step, (elements, gauss points, layers, numbers)."""
        if self._points is None:
            if self.flowing.size == 0:
                self._points = self._begin
            elif self.flowing.size == self._begin.shape[0]:
                self._points = self.fresh
            else:
                self._points = self._pool.copy(self._begin)
                self._points[self.flowing] = self.fresh
        return self._points

    def state(self, displacement: Array) -> State:
        """The sheet at the end of the step."""
        return State(displacement, self.points, (weakref.ref(self._begin), self.flowing),
                     self.standing)
