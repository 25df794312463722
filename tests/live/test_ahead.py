"""An operation computed before its button is pressed: the same answer, or nothing."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from small_live import CASE

from simkit.case import load_case
from simkit.errors import InputError
from simkit.live.ahead import Ahead
from simkit.repair import trials
from simkit.repair.session import Session
from simkit.repair.spoken import read_operation
from simkit.study.run import prepare
from simkit.underway import Stopped, go_on, stoppable

TAP, OTHER = read_operation("tap ball-12 at 5,40 to 0"), read_operation("tap ball-12 at 6,40 to 0")


@pytest.fixture(scope="module")
def dent(tmp_path_factory: pytest.TempPathFactory) -> Session:
    folder = tmp_path_factory.mktemp("ahead")
    (folder / "case.yaml").write_text(CASE)
    return prepare(load_case(folder / "case.yaml"), Path(folder) / "dent", 1,
                   lambda text: None).session


@pytest.fixture
def thread() -> Iterator[ThreadPoolExecutor]:
    with ThreadPoolExecutor(1) as executor:
        yield executor


def test_the_answer_computed_ahead_is_used_once(
        dent: Session, thread: ThreadPoolExecutor, monkeypatch: pytest.MonkeyPatch) -> None:
    trials.forget()
    truth = dent.apply(TAP).state.displacement
    trials.forget()
    counted: list[object] = []
    usual = Session.apply
    monkeypatch.setattr(Session, "apply",
                        lambda self, operation: counted.append(operation) or usual(self, operation))
    ahead = Ahead(thread)
    ahead.begin(dent, TAP)
    ahead.begin(dent, TAP)
    got = thread.submit(ahead.apply, dent, TAP).result()
    assert counted == [TAP]
    assert np.array_equal(got.state.displacement, truth)
    # another operation than the one computed ahead
    ahead.begin(dent, TAP)
    assert thread.submit(ahead.apply, dent, OTHER).result().now.row.x_mm == 6.0
    assert counted == [TAP, TAP, OTHER]


def test_a_stopped_computation_leaves_no_trace(
        dent: Session, thread: ThreadPoolExecutor, monkeypatch: pytest.MonkeyPatch) -> None:
    trials.forget()
    truth = dent.apply(TAP).state.displacement
    trials.forget()
    # stop in the middle: at the tenth iteration
    asked = []

    def unwanted() -> bool:
        asked.append(1)
        return len(asked) > 10

    with pytest.raises(Stopped), stoppable(unwanted):
        dent.apply(OTHER)
    assert len(asked) == 11
    go_on()  # outside of the block nothing is stopped
    ahead, begun = Ahead(thread), threading.Event()
    monkeypatch.setattr("simkit.live.ahead.stoppable",
                        lambda stop: (begun.set(), stoppable(stop))[1])
    ahead.begin(dent, OTHER)
    assert begun.wait(60.0)
    ahead.stop()
    got = thread.submit(ahead.apply, dent, TAP).result()
    assert np.array_equal(got.state.displacement, truth)


def test_a_fault_is_told_when_the_operation_is_asked_for(
        dent: Session, thread: ThreadPoolExecutor) -> None:
    ahead, unknown = Ahead(thread), read_operation("pull round-99 at 0,0 to 0")
    ahead.begin(dent, unknown)
    with pytest.raises(InputError, match="round-99"):
        thread.submit(ahead.apply, dent, unknown).result()
