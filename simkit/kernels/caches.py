"""Compiled kernels on disk: thrown away when any kernel's source has changed since.

Numba looks only at the file that holds a function, not at the functions it calls in other files;
without this, an edited law would go on running as it was inside the cached assembly.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

MARKS = ("njit", "intrinsic", "kernel_operation")
"""Words by which a source that kernels are made of is known."""


@cache
def drop_stale_kernels() -> int:
    """Delete cached kernels older than the newest kernel source; how many went. Once a process."""
    root = Path(__file__).parents[1]
    kept = list(root.rglob("*.nb[ic]"))
    if not kept:
        return 0
    newest = max(p.stat().st_mtime for p in root.rglob("*.py")
                 if any(mark in p.read_text("utf-8") for mark in MARKS))
    gone = 0
    for file in kept:
        try:
            if file.stat().st_mtime < newest:
                file.unlink()
                gone += 1
        except OSError:  # another process was quicker, or the folder is read-only
            continue
    return gone
