"""The same table through a Dask scheduler and two workers started from the command line."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from small_study import write_study

from simkit import exit_codes
from simkit.cli.main import main

pytest.importorskip("distributed")


class Cluster:
    """A scheduler and its workers, started from the command line."""

    def __init__(self, folder: Path, port: int) -> None:
        self.address = f"tcp://127.0.0.1:{port}"
        self.quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder,
                      "env": {**os.environ, "DASK_DISTRIBUTED__SCHEDULER__DASHBOARD__STATUS": ""}}
        self.scheduler = self._dask("scheduler", "--host", "127.0.0.1", "--port", str(port))
        self.workers = [self._dask("worker", self.address, "--nthreads", "1", "--nworkers", "1",
                                   "--host", "127.0.0.1") for _ in range(2)]

    def _dask(self, *words: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, "-m", "dask", *words, "--no-dashboard"],
                                **self.quiet)

    def end(self) -> None:
        """End what still runs."""
        for job in (*self.workers, self.scheduler):
            job.terminate()
        for job in (*self.workers, self.scheduler):
            job.wait(40)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    started = Cluster(tmp_path_factory.mktemp("dask"), port)
    time.sleep(1.0)
    yield started
    started.end()


def test_a_cluster_gives_the_same_table(tmp_path: Path, cluster: Cluster) -> None:
    study = write_study(tmp_path, "[0.7, 0.8]", "[0.8]")
    alone, spread = tmp_path / "alone", tmp_path / "spread"
    assert main(["study", str(study), "--out", str(spread), "--scheduler", cluster.address]) == 0
    assert main(["study", str(study), "--out", str(alone), "--workers", "1"]) == 0
    for name in ("runs.csv", "steps.csv"):
        assert (spread / name).read_bytes() == (alone / name).read_bytes()


def test_a_killed_scheduler_is_told_and_loses_nothing_finished(tmp_path: Path,
                                                               cluster: Cluster) -> None:
    cluster.workers[1].terminate()
    study, out = write_study(tmp_path, "[0.7, 0.8]", "[0.8]"), tmp_path / "out"
    whole = ["study", str(study), "--out", str(out)]
    asked = subprocess.Popen([sys.executable, "-P", "-m", "simkit", *whole, "--scheduler",
                              cluster.address], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                             text=True)
    end = time.monotonic() + 300.0
    while time.monotonic() < end and not list(out.glob("runs/*/result.json")):
        time.sleep(0.05)
    cluster.scheduler.send_signal(signal.SIGKILL)
    said, err = asked.communicate(timeout=200)
    assert asked.returncode == exit_codes.SYSTEM, said + err
    assert err.startswith("error: the scheduler at tcp://")
    assert err.count("\n") == 1
    finished = {file: file.stat().st_mtime_ns for file in out.glob("runs/*/result.json")}
    assert len(finished) == 1
    assert main([*whole, "--workers", "1"]) == 0
    assert {file: file.stat().st_mtime_ns for file in finished} == finished
    assert len(list(out.glob("runs/*/result.json"))) == 2
