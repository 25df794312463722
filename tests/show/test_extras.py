"""Without the optional packages each verb that needs one says in one line how to get it.

Truth: pyproject.toml's own table of extras; and each package is made to be missing.
"""

from __future__ import annotations

import re
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
    ("live", "fastapi", ["live", "CASE", "--out", "OUT/l"]),
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


def test_every_extra_has_its_one_command_on_the_page_of_installing():
    page = (ROOT / "docs" / "install.md").read_text(encoding="utf-8")
    wanted = {f".venv/bin/pip install -e '.[{extra}]'" for extra in EXTRAS}
    assert {command for command in wanted if command not in page} == set()
