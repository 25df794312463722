"""A disk that is full in the middle of a study: nothing finished is lost, the rest goes on later.

The disk is a real one, of a megabyte in memory, mounted in a name space of its own; where the
system does not allow that, the test is left out.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from small_study import write_study

SCRIPT = """
set -u
mount -t tmpfs -o size={small} none {disk}
{study}
echo "first $?"
find {disk} -name result.json | sort | xargs -r sha256sum > {before}
mount -o remount,size=200m {disk}
{study}
echo "second $?"
sha256sum --quiet -c {before} && echo "kept"
cp {disk}/out/runs.csv {disk}/out/steps.csv {kept}
"""


def apart(command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", command],
                          capture_output=True, text=True, check=False)


def can_mount(folder: Path) -> bool:
    return shutil.which("unshare") is not None and apart(
        f"mount -t tmpfs -o size=100k none {folder}").returncode == 0


def test_a_full_disk_is_one_line_and_the_study_goes_on(tmp_path: Path) -> None:
    disk, kept, alone = tmp_path / "disk", tmp_path / "kept", tmp_path / "alone"
    disk.mkdir()
    kept.mkdir()
    if not can_mount(disk):
        pytest.skip("this system lets nobody mount a disk of his own")
    study = write_study(tmp_path, "[0.7, 0.8]", "[0.8]")
    command = f"{sys.executable} -m simkit study {study} --workers 1 --out"
    subprocess.run([*command.split(), str(alone)], check=True, capture_output=True)
    runs = sorted(pages_of(folder) for folder in (alone / "runs").iterdir())
    small = pages_of(alone) - runs[0] // 2
    done = apart(SCRIPT.format(disk=disk, kept=kept, small=4096 * small, study=f"{command} "
                               f"{disk}/out", before=tmp_path / "before"))
    assert "first 2" in done.stdout, done.stdout + done.stderr
    assert "second 0" in done.stdout, done.stdout + done.stderr
    assert "kept" in done.stdout
    assert "free disk space, then the same command again" in done.stderr
    assert "Traceback" not in done.stderr
    for name in ("runs.csv", "steps.csv"):
        assert (kept / name).read_bytes() == (alone / name).read_bytes()


def pages_of(folder: Path) -> int:
    """Pages of memory that a folder takes on such a disk."""
    return sum(-(-path.stat().st_size // 4096) + 1 for path in folder.rglob("*"))
