"""`simkit tools`: what it lists, draws and refuses."""

from __future__ import annotations

import json

import pytest

from simkit.cli.main import main
from simkit.tool.catalogue import tool_names


def test_all_tools_are_listed(capsys):
    assert main(["tools"]) == 0
    out = capsys.readouterr().out
    assert all(name in out for names in tool_names().values() for name in names)


def test_every_tool_has_its_details(capsys):
    for names in tool_names().values():
        for name in names:
            assert main(["tools", name, "--json"]) == 0
            assert json.loads(capsys.readouterr().out)["tools"]["name"] == name


def test_drawing_and_own_catalogue(tmp_path, capsys):
    own = tmp_path / "own.yaml"
    own.write_text("tabs:\n  shop-27: {diameter_mm: 27}\n")
    picture = tmp_path / "tools.png"
    assert main(["tools", "--catalogue", str(own), "--draw", str(picture)]) == 0
    assert "shop-27" in capsys.readouterr().out
    assert picture.read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize(("arguments", "message"), [
    (["ball-21"], "did you mean 'ball-20'"), (["--catalogue", "none.yaml"], "no such file"),
    (["--draw", "x.gif"], "ends in .png"), (["cold-tack", "--draw", "x.png"], "no shape"),
])
def test_what_is_wrong_is_said_in_one_line(arguments, message, capsys):
    assert main(["tools", *arguments]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1
