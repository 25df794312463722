"""The same table through a Dask scheduler and two workers started from the command line."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from small_study import write_study

from simkit.cli.main import main

pytest.importorskip("distributed")


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    dask = [sys.executable, "-m", "dask"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path,
             "env": {**os.environ, "DASK_DISTRIBUTED__SCHEDULER__DASHBOARD__STATUS": ""}}
    jobs = [subprocess.Popen([*dask, "scheduler", "--host", "127.0.0.1", "--port", str(port),
                              "--no-dashboard"], **quiet)]
    jobs += [subprocess.Popen([*dask, "worker", address, "--nthreads", "1", "--nworkers", "1",
                               "--host", "127.0.0.1", "--no-dashboard"], **quiet)
             for _ in range(2)]
    time.sleep(1.0)
    yield address
    for job in reversed(jobs):
        job.terminate()
        job.wait(20)


def test_a_cluster_gives_the_same_table(tmp_path: Path, scheduler: str) -> None:
    study = write_study(tmp_path, "[0.7, 0.8]", "[0.8]")
    alone, spread = tmp_path / "alone", tmp_path / "spread"
    assert main(["study", str(study), "--out", str(spread), "--scheduler", scheduler]) == 0
    assert main(["study", str(study), "--out", str(alone), "--workers", "1"]) == 0
    for name in ("runs.csv", "steps.csv"):
        assert (spread / name).read_bytes() == (alone / name).read_bytes()
