"""The operation chosen on the page is computed while the user still looks at the forecast.

When the button is pressed it is the same operation on the same state, so the answer is that of
`Session.apply` to the last bit. Any other request stops the computation, and nothing of it is kept.
"""

from __future__ import annotations

import threading
from concurrent.futures import Executor, Future
from dataclasses import dataclass

from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.underway import Stopped, stoppable


@dataclass(frozen=True)
class _Task:
    """An operation on a session, the signal that stops it, and its result to come."""

    session: Session
    operation: Operation
    stop: threading.Event
    answer: Future[Session | None]

    def does(self, session: Session, operation: Operation) -> bool:
        """Whether this is the operation on that session."""
        return self.session is session and self.operation == operation


class Ahead:
    """At most one operation computed ahead, in the thread of the mechanics."""

    def __init__(self, mechanics: Executor) -> None:
        self._mechanics = mechanics
        self._task: _Task | None = None

    def begin(self, session: Session, operation: Operation) -> None:
        """Compute an operation on a session from now on, unless it is being computed already."""
        if self._task is not None and self._task.does(session, operation):
            return
        self.stop()
        stop = threading.Event()
        self._task = _Task(session, operation, stop, self._mechanics.submit(
            _carried_out, session, operation, stop))

    def stop(self) -> None:
        """End the computation at its next iteration; its result is not kept."""
        if self._task is not None:
            self._task.stop.set()
            self._task.answer.cancel()
            self._task = None

    def stop_unless(self, session: Session, operation: Operation) -> None:
        """End the computation if it is of another operation or session."""
        if self._task is not None and not self._task.does(session, operation):
            self.stop()

    def apply(self, session: Session, operation: Operation) -> Session:
        """As `Session.apply`, with the result computed ahead if there is one.

        Called in the thread of the mechanics, where a computation begun before has ended.
        """
        task, self._task = self._task, None
        if task is not None and task.does(session, operation):
            done = task.answer.result() if task.answer.done() else None
            if done is not None:
                return done
        return session.apply(operation)


def _carried_out(session: Session, operation: Operation, stop: threading.Event) -> Session | None:
    """The session after the operation; None if it was stopped or cannot be carried out."""
    try:
        with stoppable(stop.is_set):
            return session.apply(operation)
    except Stopped:
        return None
    except Exception:  # pressed, the operation is computed again and its fault is told then
        return None
