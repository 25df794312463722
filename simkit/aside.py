"""Imports of packages that read settings from the current folder, protected against such files.

numba reads ``.numba_config.yaml`` and matplotlib ``matplotlibrc`` from the current folder, which
may belong to somebody else. The first file can set the place of the cache of compiled kernels;
these are pickles, so that code in them would run. Therefore both packages are loaded with the root
folder as current folder, and the place of the cache is chosen here.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib.machinery
import os
import sys
import zlib
from collections.abc import Iterator, Sequence
from types import ModuleType
from typing import Any

LOOK_AROUND = ("numba", "matplotlib")
PACKAGE = os.path.dirname(os.path.realpath(__file__))
kernels_said: list[str] = []
"""Messages about the place of compiled kernels, to be printed once."""


class _Aside:
    """Import finder for LOOK_AROUND: the usual spec, with a loader that works in another folder."""

    def find_spec(self, fullname: str, path: Sequence[str] | None = None,
                  target: ModuleType | None = None) -> importlib.machinery.ModuleSpec | None:
        """The spec of a package of LOOK_AROUND; None for every other module."""
        if fullname not in LOOK_AROUND or path is not None:
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, None, target)
        if spec is not None and spec.loader is not None:
            spec.loader = _Loader(spec.loader)  # type: ignore[assignment]
        return spec


class _Loader:
    def __init__(self, real: Any) -> None:
        self.real = real

    def __getattr__(self, name: str) -> object:
        return getattr(self.real, name)

    def create_module(self, spec: importlib.machinery.ModuleSpec) -> ModuleType | None:
        found: ModuleType | None = self.real.create_module(spec)
        return found

    def exec_module(self, module: ModuleType) -> None:
        if module.__name__ == "numba":
            _choose_cache()
        with elsewhere():
            self.real.exec_module(module)
        if module.__name__ == "numba":
            # numba reads its settings again before each compilation
            sys.modules["numba.core.config"]._config_fname = os.devnull  # type: ignore[attr-defined]


@contextlib.contextmanager
def elsewhere() -> Iterator[None]:
    """Make the root folder the current one within a block."""
    try:
        here = os.open(".", os.O_RDONLY)
    except OSError:  # removed or not readable: it cannot become the current folder again
        here = -1
    os.chdir(os.path.abspath(os.sep))
    try:
        yield
    finally:
        if here >= 0:
            with contextlib.suppress(OSError):
                os.chdir(here if os.chdir in os.supports_fd else os.getcwd())
            os.close(here)


def _choose_cache() -> None:
    """Set numba's cache: beside the code, or in the user's cache folder if that is read-only, or
    in a temporary folder."""
    beside = os.path.join(PACKAGE, "shell", "__pycache__")
    if os.environ.get("NUMBA_CACHE_DIR") or _writable(beside):
        return
    base = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    place = os.path.join(base, "simkit", f"kernels-{_sources():08x}")
    new = not os.path.isdir(place)
    if os.path.isabs(place) and _writable(place):
        if new:
            kernels_said.append(f"The installation cannot be written: compiled kernels are kept "
                                f"in {place}.")
    else:
        place = os.path.join(os.environ.get("TMPDIR") or "/tmp", f"simkit-{os.urandom(8).hex()}")
        # Random name and mode 700: no other user can have put kernels there.
        os.mkdir(place, 0o700)
        atexit.register(_remove, place, os.getpid())
        kernels_said.append("Neither the installation nor a cache folder can be written: kernels "
                            "are compiled anew each time.")
    os.environ["NUMBA_CACHE_DIR"] = place


def _sources() -> int:
    """Checksum of names, sizes and times of all source files; part of the cache's name.

    numba checks only the file of a kernel itself, not those of the functions it calls. A new
    checksum gives a new cache, so that kernels of another version are never used.
    """
    seen = 0
    for folder, _, files in sorted(os.walk(PACKAGE)):
        for name in sorted(files):
            if name.endswith(".py"):
                found = os.stat(os.path.join(folder, name))
                seen = zlib.crc32(f"{name} {found.st_size} {found.st_mtime_ns}".encode(), seen)
    return seen


def _remove(place: str, owner: int) -> None:
    """Remove a folder of our own with all that is in it, unless this is a child process."""
    if os.getpid() != owner:
        return
    for folder, inner, files in os.walk(place, topdown=False):
        for act, names in ((os.unlink, files), (os.rmdir, inner)):
            for name in names:
                with contextlib.suppress(OSError):
                    act(os.path.join(folder, name))
    with contextlib.suppress(OSError):
        os.rmdir(place)


def _writable(folder: str) -> bool:
    """Whether a file can be made in the folder, which is made if it is missing."""
    probe = os.path.join(folder, f".{os.getpid()}.probe")
    try:
        os.makedirs(folder, exist_ok=True)
        os.close(os.open(probe, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        os.unlink(probe)
    except OSError:
        return False
    return True


def install() -> None:
    """Put the finder first on sys.meta_path, once for each process."""
    if not any(isinstance(finder, _Aside) for finder in sys.meta_path):
        sys.meta_path.insert(0, _Aside())  # type: ignore[arg-type]


def leave_current_folder() -> None:
    """Remove the current folder from sys.path.

    ``python -m`` puts it first; a file numpy.py in it would be imported in place of the package.
    """
    first = sys.path[0] if sys.path else None
    if first is None or sys.flags.safe_path:
        return
    with contextlib.suppress(OSError):
        if first == "" or os.path.abspath(first) == os.getcwd():
            del sys.path[0]
            root = os.path.dirname(PACKAGE)
            if root not in sys.path:  # run from a copy that is not installed
                sys.path.append(root)
