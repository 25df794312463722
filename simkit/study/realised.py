"""Histories of one dent carried out in full, side by side in worker processes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simkit.case import Case
from simkit.history.reconstruct import Reconstruction, realise
from simkit.history.strike import Blow
from simkit.repair.workpiece import Workpiece, make_workpiece
from simkit.study.workers import can_start, each, hand_on
from simkit.underway import heard, lined, listening, sender

Progress = Callable[[str], None]
Blows = tuple[Blow, ...]


def realised(jobs: Sequence[tuple[Workpiece, Blows]], progress: Progress, workers: int = 1
             ) -> Iterator[tuple[int, Reconstruction | None]]:
    """The number of each job (a panel and blows on it) and its result, in the order of their ends.

    With more than one worker each job is computed in a process of its own, with one thread. The
    result is the same: None if a blow finds no equilibrium.

    Raises
    ------
    WorkerLost : a worker process ended without a result.
    """
    here = dict(enumerate(jobs))
    if workers > 1 and len(jobs) > 1 and can_start():
        told = listening() or (lambda word: None)
        given = {f"{k}": (k, work.case, work.model.geometry.elements, blows)
                 for k, (work, blows) in here.items()}
        for name, found in each(_job, given, workers, told):
            if found is not None:
                del here[int(name)]
                yield int(name), found[0]
    for k, (work, blows) in here.items():
        yield k, realise(work, blows, progress)


def _job(k: int, case: Case, elements: int, blows: Blows) -> tuple[Reconstruction | None] | None:
    """One history in a process of its own; None if the case alone does not give this panel, as with
    the larger elements of a search or of the bulk."""
    with heard(sender(hand_on)), lined(f"history {k + 1}"):
        work = make_workpiece(case)
        if work.model.geometry.elements != elements:
            return None
        return (realise(work, blows),)
