"""Compiled kernels on disk: deleted when any kernel source is newer than they are.

Numba compares a cache only with the file that holds the function itself, not with the files of the
functions it calls. Without this check, the cached assembly kernel would keep running the old
version of an edited material law.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

MARKS = ("njit", "intrinsic", "kernel_operation")
"""A source file that contains one of these words is taken to hold kernels."""


@cache
def drop_stale_kernels() -> int:
    """Delete cached kernels older than the newest kernel source; return how many were deleted.

    The result is cached, so the files are looked at once per process.
    """
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
