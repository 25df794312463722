"""A live session of a small panel of our own in a process of its own; invented."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

CASE = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel:
  {surface: curved, length_x_mm: 240, length_y_mm: 180, radius_x_mm: 900, radius_y_mm: 600,
   thickness_mm: 0.8, grade: DC04}
mesh: {fine_mm: 8, coarse_mm: 24, layers: 3}
dent:
  blows:
    - {body: ball, radius_mm: 25, x_mm: 5, y_mm: -4, depth_mm: 1.5}
kit: {tabs: [round-20, round-30], tips: [ball-12, ball-20], glue: standard-hot-melt}
"""
STRUCK = """\
format: 1
title: Struck
about: Invented for the tests; its search leaves several histories.
panel:
  {surface: curved, length_x_mm: 200, length_y_mm: 160, radius_x_mm: 900, radius_y_mm: 600,
   thickness_mm: 0.8, grade: DC04}
mesh: {fine_mm: 9, coarse_mm: 20, layers: 3}
dent:
  shapes:
    - {kind: bowl, x_mm: 5, y_mm: -4, length_mm: 60, width_mm: 50, depth_mm: 1.2, crown_mm: 0.15}
history:
  {method: strike, rounds: 12, striker: {kind: ball, radius_min_mm: 8, radius_max_mm: 60}}
kit: {tabs: [round-25], tips: [ball-12], glue: standard-hot-melt}
"""


@dataclass
class Live:
    """A running server: process, addresses of the one who works and of those who watch, folder."""

    process: subprocess.Popen
    work: str
    watch: str
    folder: Path

    def stop(self) -> str:
        """SIGTERM; what it said last."""
        self.process.terminate()
        return self.process.communicate(timeout=60)[0]


def start(folder: Path, *more: str, case: str = CASE) -> Live:
    """Start `simkit live` on the small case, or another one, and wait for its addresses."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "case.yaml").write_text(case, encoding="utf-8")
    out = folder / "live"
    process = subprocess.Popen(
        [sys.executable, "-m", "simkit", "live", str(folder / "case.yaml"), "--out", str(out),
         "--no-browser", "--threads", "1", *more],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    found: dict[str, str] = {}
    assert process.stdout is not None
    for line in process.stdout:
        match = re.match(r"(work|watch) +(http\S+)", line)
        if match:
            found[match[1]] = match[2]
        if line.startswith("folder"):
            return Live(process, found["work"], found["watch"], out)
    raise AssertionError(f"the server ended with {process.wait()}")
