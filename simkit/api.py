"""What `import simkit` offers: the names of the story, from a case to the pictures.

>>> import simkit
>>> case = simkit.make_case({
...     "title": "Small bowl", "about": "Invented for this example.",
...     "panel": {"surface": "flat", "length_x_mm": 200, "length_y_mm": 150,
...               "thickness_mm": 0.75, "grade": "DC04"},
...     "mesh": {"fine_mm": 10, "coarse_mm": 25},
... })
>>> work = simkit.open_workpiece(case)
>>> session = simkit.open_session(work)
>>> pushed = session.push("ball-12", 0.0, 0.0, to_mm=0.3)
>>> bool(abs(pushed.now.row.released_mm - 0.3) < 0.02)
True
>>> pushed.undo().now.row.step
0
>>> [spot.kind for spot in pushed.spots()]
['high']
"""

from __future__ import annotations

from pathlib import Path

from simkit.case import Case, make_case, save_case
from simkit.checks.deeper import check_case
from simkit.errors import InputError, InputErrors
from simkit.history.reconstruct import Reconstruction, reconstruct
from simkit.inspection.spots import Spot
from simkit.mechanics.model import State
from simkit.record.read import RunRecord, read_comparison, read_run
from simkit.repair import session as sessions
from simkit.repair.bent import with_bent_beds
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.workpiece import Workpiece, make_workpiece
from simkit.show.draw import draw_comparison, draw_run
from simkit.strategy import Strategy, find_strategy
from simkit.study.ensemble import Ensemble, open_histories
from simkit.study.run import prepare, run_strategy

__all__ = [
    "Case", "Ensemble", "InputError", "InputErrors", "Operation", "Reconstruction", "RunRecord",
    "Session", "Spot", "State", "Strategy", "Workpiece", "draw_comparison", "draw_run",
    "find_strategy", "load_case", "make_case", "open_histories", "open_session", "open_workpiece",
    "read_comparison", "read_run", "reconstruct", "run_repair", "save_case",
]


def load_case(path: str | Path) -> Case:
    """Read a case file, or a folder that holds case.yaml, and check it in every way.

    Raises
    ------
    InputError, InputErrors : every fault with file, line and key.
    """
    return check_case(str(path))


def open_workpiece(case: Case, threads: int = 1, coarser: float = 1.0) -> Workpiece:
    """Panel, tools and measured depth field of a case, ready for operations.

    ``coarser`` : factor on the element size; the search for a history uses 1.6.
    """
    return make_workpiece(case, threads=threads, coarser=coarser)


def open_session(work: Workpiece, state: State | None = None) -> Session:
    """A repair that begins at a state, such as ``reconstruct(work).state``; None: virgin panel."""
    if state is None:
        return sessions.open_session(work, work.model.virgin())
    return sessions.open_session(with_bent_beds(work, state), state)


def run_repair(case: Case, strategy: str | Strategy, folder: str | Path, threads: int = 1,
               progress=print) -> RunRecord:
    """Reconstruct the dent and repair it by a strategy; every step is stored in a run folder.

    A call with the same folder continues an interrupted repair.

    Parameters
    ----------
    strategy : name of a strategy of simkit, or an object with ``name`` and ``next(session)``.
    progress : called with one line of text for each step.

    Raises
    ------
    InputError : the folder holds something else, or a name is unknown.
    """
    chosen = find_strategy(strategy) if isinstance(strategy, str) else strategy
    place = Path(folder)
    start = prepare(case, place / "start", threads, progress)
    run_strategy(start, chosen, place / "run", progress)
    return read_run(place / "run")
