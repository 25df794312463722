"""Input and result of an operation: load, settings, path, energies."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import number, numbers, positive, whole
from simkit.errors import InputError
from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.model import State
from simkit.mechanics.outcome import Outcome
from simkit.solve.nonlinear.newton import NewtonSettings

Array = NDArray[np.float64]
GIVEN_BACK = 0.1
"""Lower limit of the energy to which an energy error is referred, over the work put in.

After an elastic operation, which gives all its work back, no other energy is left to compare with.
"""


@dataclass(frozen=True)
class Probe:
    """The deviation at one place as a linear function: d = sum of weights times displacements.

    nodes (m,) control points, weights (m, 3).
    """

    nodes: NDArray[np.int64]
    weights: Array

    def __post_init__(self) -> None:
        numbers("weights", self.weights, (np.size(self.nodes), 3))

    def read(self, displacement: Array) -> float:
        """Deviation, mm."""
        return float((self.weights * displacement[self.nodes]).sum())


@dataclass(frozen=True)
class Load:
    """A tool, and the limits and goal up to which it is driven.

    Attributes
    ----------
    tool : the engagement.
    travel_mm : largest travel, mm; for forming targets a number up to 1.
    force_N : largest force; face_strain : largest principal strain of either face (paint).
    probe, goal_mm : stop when the deviation predicted after release reaches the goal.
    everything_off : the goal is for the sheet after standing loads are let down as well.
    may_snap : True if a place that snaps past its goal counts as having reached it.
    height_mm : stop when the place under load reaches this deviation.
    energy_Nmm : stop when the tool has done this work on the sheet (energy of a blow).
    watched : places whose deviation is recorded at every increment, see :class:`PathPoint`.
    """

    tool: Engagement
    travel_mm: float
    force_N: float = np.inf
    face_strain: float = np.inf
    probe: Probe | None = None
    goal_mm: float | None = None
    everything_off: bool = False
    may_snap: bool = False
    height_mm: float | None = None
    energy_Nmm: float = np.inf
    watched: tuple[Probe, ...] = ()

    def __post_init__(self) -> None:
        positive("travel_mm", self.travel_mm)
        for name in ("force_N", "face_strain", "energy_Nmm"):
            if getattr(self, name) != np.inf:
                positive(name, getattr(self, name))
        for name in ("goal_mm", "height_mm"):
            if getattr(self, name) is None:
                continue
            number(name, getattr(self, name))
            if self.probe is None:
                raise InputError(f"{name} without a place", "a probe that reads the deviation",
                                 key="probe")

    def watch(self, state: State) -> tuple[float, ...]:
        """Deviations of the watched places in a state, mm."""
        return tuple(probe.read(state.displacement) for probe in self.watched)


@dataclass(frozen=True)
class AdvanceSettings:
    """Step control.

    Attributes
    ----------
    first_mm : first increment of travel; later ones grow and shrink with the iterations needed.
    largest_mm : largest increment.
    smallest_share : smallest increment over the travel limit before giving up.
    goal_tolerance_mm : how near the predicted deviation must come to the goal.
    release_steps : stages in which the tool's force is reduced to zero. 0: for searches, take the
        release as predicted where possible (elastic, without energy balance).
    energy_error_pct : an operation with a larger energy error is repeated with finer increments;
        if the error stays larger, its outcome is not valid.
    most_iterations : Newton iterations after which a loading is given up; for searches.
    newton : iteration settings at the end of the operation; passing : before it. The end must be an
        accurate equilibrium, because the next operation starts from it. A residual before the end
        is removed by the next increment and only affects the energy balance.
    """

    first_mm: float = 0.1
    largest_mm: float = 1.0
    smallest_share: float = 1e-4
    goal_tolerance_mm: float = 0.01
    release_steps: int = 2
    energy_error_pct: float = 1.0
    easy_iterations: int = 5
    hard_iterations: int = 9
    most_iterations: float = np.inf
    newton: NewtonSettings = field(default_factory=NewtonSettings)
    passing: NewtonSettings = field(default_factory=lambda: NewtonSettings(
        force_tolerance=4e-4, work_tolerance=4e-5))

    def __post_init__(self) -> None:
        for name in ("first_mm", "largest_mm", "goal_tolerance_mm"):
            positive(name, getattr(self, name))
        if self.energy_error_pct != np.inf:
            positive("energy_error_pct", self.energy_error_pct)
        positive("smallest_share", self.smallest_share, 1.0)
        whole("release_steps", self.release_steps, 0)
        whole("easy_iterations", self.easy_iterations, 0)
        whole("hard_iterations", self.hard_iterations, self.easy_iterations)

    @property
    def stages(self) -> int:
        """Stages of a release that has to be computed."""
        return self.release_steps or 2


@dataclass(frozen=True)
class PathPoint:
    """One increment.

    Travel, mm; force, N; predicted deviation after release, mm (nan if not predicted); Newton
    iterations; penetration, mm; share of the glue's strength lost and of its area failed;
    deviations of the watched places under load, mm.
    """

    travel_mm: float
    force_N: float
    predicted_mm: float
    iterations: int
    penetration_mm: float
    damage: float = 0.0
    parted: float = 0.0
    watched_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class Advance:
    """Result of one operation.

    Attributes
    ----------
    state : after release; the state before if the outcome is not valid.
    outcome, reason : how the loading ended, and the same in words.
    path : loading increments.
    force_N : largest force; travel_mm : travel reached.
    work : work of the tool on the sheet, loading and release, N mm.
    stored, plastic, drag : change of stored elastic energy, plastic work, energy lost in snapping,
        N mm.
    standing : work of the held tools, N mm; put_in : work of the tool until it was let go, N mm.
    iterations : total of Newton iterations; cuts : increments halved.
    loaded : state at the end of loading (before release).
    glue : energy dissipated by damage of the glue, N mm; not part of ``work``.
    snapped : whether the sheet snapped; released : equations after release.
    touches : number of operations in this result: those of a pass, else one.
    shares_N : force of each tab of a rig at the end of loading, N; empty for one tool.
    impact : energy that a blow lost when the hammer met tool and sheet, N mm; not part of ``work``.
    """

    state: State
    outcome: Outcome
    reason: str
    path: tuple[PathPoint, ...]
    force_N: float = 0.0
    travel_mm: float = 0.0
    work: float = 0.0
    stored: float = 0.0
    plastic: float = 0.0
    drag: float = 0.0
    standing: float = 0.0
    put_in: float = 0.0
    iterations: int = 0
    cuts: int = 0
    loaded: State | None = None
    snapped: bool = False
    released: Array | None = None
    glue: float = 0.0
    touches: int = 1
    shares_N: tuple[float, ...] = ()
    impact: float = 0.0

    @property
    def turnover_Nmm(self) -> float:
        """Energy to which the energy error is referred, N mm.

        The largest of the net work, the dissipated energy and :data:`GIVEN_BACK` times the work
        that was put in.
        """
        return max(abs(self.work), abs(self.standing), self.plastic + self.drag + self.glue,
                   GIVEN_BACK * abs(self.put_in), 1e-12)

    @property
    def missing_Nmm(self) -> float:
        """Work of the tools less stored energy, plastic work and loss in snapping, N mm."""
        return self.work + self.standing - self.stored - self.plastic - self.drag

    @property
    def energy_error_pct(self) -> float:
        """Magnitude of :attr:`missing_Nmm` over :attr:`turnover_Nmm`, per cent."""
        return 100.0 * abs(self.missing_Nmm) / self.turnover_Nmm
