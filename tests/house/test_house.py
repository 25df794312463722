"""The house's own rules: sizes, docstrings, imports, kernels, tests that can fail, clean files."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import house_lint as lint
import pytest

SIMKIT = lint.sources("simkit")


def offenders(check, files=SIMKIT):
    """`file: offender` for all that a lint finds."""
    return [f"{file.relative_to(lint.ROOT)}: {line}"
            for file in files for line in check(file.read_text(encoding="utf-8"))]


def python(code: str) -> str:
    """Standard output of a fresh interpreter."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                          check=True, cwd=lint.ROOT)
    return done.stdout


def test_no_file_grows_without_limit():
    long = {str(f.relative_to(lint.ROOT)): n for f in SIMKIT
            if (n := len(f.read_text(encoding="utf-8").splitlines())) > lint.LONGEST_FILE}
    assert long == {}


def test_no_function_grows_without_limit():
    assert offenders(lint.long_functions) == []


def test_everything_public_is_documented():
    assert offenders(lint.undocumented) == []


def test_imports_stand_at_the_top():
    """import-linter sees hidden imports too, but not those of other packages."""
    assert offenders(lint.hidden_imports) == []


def test_kernels_are_cached_and_have_no_signature():
    assert offenders(lint.uncached_kernels) == []


def test_every_test_can_fail():
    files = lint.sources("tests")
    assert len(files) > 20
    assert lint.tests_without_check(f.read_text(encoding="utf-8") for f in files) == []


SLIPS = {
    "long_functions": "def f():\n" + "    x = 1\n" * lint.LONGEST_FUNCTION,
    "undocumented": '"""M."""\nclass A:\n    """A."""\n    def b(self): return 1\n',
    "hidden_imports": "def f():\n    import scipy.sparse\n",
    "uncached_kernels": "@nb.njit\ndef f(x): return x\n",
}


@pytest.mark.parametrize("name", SLIPS)
def test_the_lints_find_what_they_are_for(name):
    assert len(getattr(lint, name)(SLIPS[name])) == 1


@pytest.mark.parametrize(("code", "found"), [
    ("def test_a():\n    f(1)\n", ["test_a"]),
    ("def test_a():\n    assert True\n", ["test_a"]),
    ("def test_a():\n    assert f(1)\n", []),
    ("def test_a():\n    with pytest.raises(ValueError):\n        f()\n", []),
    ("def same(x):\n    assert x\n\ndef both(x):\n    same(x)\n\ndef test_a():\n    both(1)\n", []),
])
def test_the_lint_of_tests_tells_checks_from_calls(code, found):
    assert lint.tests_without_check([code]) == found


def test_files_hold_no_machine_paths_or_loose_ends():
    """Paths are spelt in parts here, so that this file does not find itself."""
    roots = "|".join(("work", "tmp", "root", "home", "Users"))
    marks = "|".join(("TO" + "DO", "FIX" + "ME", "XX" + "X"))
    pattern = re.compile(rf"(?<![\w.)~*/-])/(?:{roots})/|\b(?:{marks})\b")
    found = [f"{file.relative_to(lint.ROOT)}: {hit.group()}" for file in lint.text_files()
             for hit in pattern.finditer(file.read_text(encoding="utf-8"))]
    assert found == []
    assert pattern.search('open("' + "/" + 'tmp/a")')


def test_the_command_line_is_light():
    """Neither numba nor matplotlib is loaded to say the version or to print the help."""
    code = "import simkit.cli.main, sys, json; print(json.dumps(sorted(sys.modules)))"
    loaded = set(json.loads(python(code)))
    assert "simkit.cli.main" in loaded
    assert loaded.isdisjoint({"numba", "scipy", "matplotlib", "pyvista"})


def test_nothing_compiles_at_import():
    """Every kernel of every module still has no compiled signature once all are imported."""
    counts = json.loads(python(
        "import importlib, json, pkgutil, simkit\n"
        "from numba.core.dispatcher import Dispatcher\n"
        "kernels, compiled = set(), set()\n"
        "for info in pkgutil.walk_packages(simkit.__path__, 'simkit.'):\n"
        "    if info.name.endswith('__main__'):\n"
        "        continue\n"
        "    module = importlib.import_module(info.name)\n"
        "    for name, value in vars(module).items():\n"
        "        if isinstance(value, Dispatcher):\n"
        "            kernels.add(value.py_func.__qualname__)\n"
        "            if value.signatures:\n"
        "                compiled.add(info.name + '.' + name)\n"
        "print(json.dumps([len(kernels), sorted(compiled)]))\n"))
    assert counts[0] > 20
    assert counts[1] == []
