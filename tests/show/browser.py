"""A page in a headless browser that reaches no other host: its picture and its console."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

needs_chromium = pytest.mark.skipif(shutil.which("chromium") is None,
                                    reason="chromium is not installed")


def shoot(page: Path, shot: Path, fragment: str = "") -> list[str]:
    """Write a picture of a page from its file; what the console says."""
    done = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--use-angle=swiftshader",
         "--enable-unsafe-swiftshader", "--enable-logging=stderr", "--window-size=800,600",
         "--host-resolver-rules=MAP * ~NOTFOUND", "--virtual-time-budget=4000",
         f"--user-data-dir={shot.parent / 'profile'}", f"--screenshot={shot}",
         f"file://{page}{fragment}"],
        capture_output=True, text=True, timeout=120, check=True)
    said = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    # the software renderer complains of the picture being taken, which is not the page's
    return [line for line in said if "GL Driver Message" not in line]
