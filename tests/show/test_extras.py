"""Without the optional packages each verb that needs one says in one line how to get it.

Truth: pyproject.toml's own table of extras; and each package is made to be missing.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from simkit.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
EXTRAS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
    "optional-dependencies"]
VERBS = [
    ("three-d", "pyvista", ["show", "RUN", "--three-d"]),
    ("report", "weasyprint", ["report", "RUN", "--pdf"]),
    ("study", "pyarrow", ["export", "RUN", "parquet"]),
    ("study", "distributed", ["study", "STUDY", "--out", "OUT/s", "--scheduler",
                              "tcp://127.0.0.1:1"]),
]


@pytest.mark.parametrize(("extra", "package", "words"), VERBS, ids=lambda v: "-".join(v[:2])
                         if isinstance(v, list) else v)
def test_a_verb_without_its_extra_says_how_to_get_it(extra, package, words, run_folder, tmp_path,
                                                     monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, package, None)
    assert any(named.startswith(package) for named in EXTRAS[extra])
    places = {"RUN": str(run_folder), "STUDY": str(ROOT / "cases" / "studies" / "tab-size.yaml"),
              "CASE": str(ROOT / "cases" / "door-dent"), "OUT": str(tmp_path)}
    code = main([re.sub("RUN|STUDY|CASE|OUT", lambda m: places[m[0]], word) for word in words])
    said = capsys.readouterr().err.strip()
    assert code == 2
    assert said.startswith("error: ")
    assert "\n" not in said
    assert f"pip install -e '.[{extra}]'" in said


def test_the_live_page_without_its_extra_says_how_to_get_it(tmp_path):
    """In a process of its own: another test here may have loaded the package already."""
    code = ("import sys; sys.modules['fastapi'] = None; from simkit.cli.main import main; "
            "sys.exit(main(sys.argv[1:]))")
    case = str(ROOT / "cases" / "door-dent")
    done = subprocess.run([sys.executable, "-c", code, "live", case, "--out", str(tmp_path / "l")],
                          capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "pip install -e '.[live]'" in done.stderr


def test_every_extra_has_its_one_command_on_the_page_of_installing():
    page = (ROOT / "docs" / "install.md").read_text(encoding="utf-8")
    wanted = {f".venv/bin/pip install -e '.[{extra}]'" for extra in EXTRAS}
    assert {command for command in wanted if command not in page} == set()
