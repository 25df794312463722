"""What is loaded before a verb works: words need no numerics, verbs only what they work with."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from simkit.cli.main import VERBS

ROOT = Path(__file__).resolve().parents[2]
NUMERICS = {"numpy", "scipy", "numba", "llvmlite", "pydantic", "ruamel", "multiprocessing"}
PICTURES = {"matplotlib", "pyvista", "vtk", "meshio", "skfem", "pypardiso", "distributed"}
"""Slow or optional: no verb loads them before it draws, reads a mesh or is asked to."""
OWN = {"simkit", "simkit.aside", "simkit.errors", "simkit.exit_codes", "simkit.faults",
       "simkit.streams", "simkit.underway", "simkit.words", "simkit.cli", "simkit.cli.lines",
       "simkit.cli.main"}
"""simkit's own modules that the words need."""


def loaded(*lines: str) -> tuple[list[int], set[str]]:
    """Exit codes of command lines in one process of their own, and the modules then loaded."""
    code = ("import contextlib, io, json, sys\n"
            "from simkit.cli.main import main\n"
            "with contextlib.redirect_stdout(io.StringIO()), "
            "contextlib.redirect_stderr(io.StringIO()):\n"
            "    codes = [main(line.split()) for line in sys.argv[1:]]\n"
            "print(json.dumps([codes, sorted(sys.modules)]))\n")
    done = subprocess.run([sys.executable, "-c", code, *lines], capture_output=True, text=True,
                          check=True, cwd=ROOT)
    codes, modules = json.loads(done.stdout)
    return codes, set(modules)


def test_words_load_no_numerics():
    codes, modules = loaded("--version", "--help", "-h", "chekc", "--unknown")
    assert codes == [0, 0, 0, 2, 2]
    assert modules.isdisjoint(NUMERICS | PICTURES)
    assert {name for name in modules if name.split(".")[0] == "simkit"} == OWN


def test_the_help_of_verbs_loads_no_pictures():
    codes, modules = loaded(*(f"{verb} --help" for verb in VERBS))
    assert codes == [0] * len(VERBS)
    assert {f"simkit.cli.{verb}" for verb in VERBS} <= modules
    assert {"numpy", "numba"} <= modules  # so what is loaded is seen
    assert modules.isdisjoint(PICTURES)


def test_verbs_that_compute_nothing_load_no_kernels():
    codes, modules = loaded("show --help", "grades --help")
    assert codes == [0, 0]
    assert "numba" not in modules
