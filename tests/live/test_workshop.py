"""The session behind the page: branches, undo, kills, messages; without a browser."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from small_live import CASE

from simkit.case import load_case
from simkit.cli.main import main
from simkit.dent.grid import read_grid
from simkit.errors import InputError
from simkit.inspection.sampling import probe_at
from simkit.live.forecast import Forecaster
from simkit.live.keep import save_as_case
from simkit.live.shape import make_shape
from simkit.live.talk import lessons, panel_words, read_message
from simkit.live.workshop import Workshop, open_workshop
from simkit.repair.spoken import read_operation
from simkit.study.run import Start, prepare

TAP = "tap ball-12 at 5,40 to 0"


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Start:
    folder = tmp_path_factory.mktemp("live")
    (folder / "case.yaml").write_text(CASE)
    return prepare(load_case(folder / "case.yaml"), folder / "dent", 1, lambda text: None)


@pytest.fixture
def shop(start: Start, tmp_path: Path) -> Workshop:
    return open_workshop(start, tmp_path / "live")


def test_undo_and_redo_give_the_same_panel(shop: Workshop) -> None:
    dent = shop.session.state.displacement
    shop.work(TAP)
    tapped = shop.session.state.displacement
    shop.undo()
    assert shop.session.state.displacement is dent
    shop.again()
    assert shop.session.state.displacement is tapped
    with pytest.raises(InputError, match="nothing to redo"):
        shop.again()


def test_branches_and_the_session_after_a_restart(start: Start, tmp_path: Path) -> None:
    shop = open_workshop(start, tmp_path / "live")
    shop.work(TAP)
    shop.fork("other way", 0)
    shop.work("push ball-12 at 5,-4 to -0.5")
    again = open_workshop(start, tmp_path / "live")
    assert again.branches == shop.branches
    assert again.branch == "other way"
    for name in shop.branches:
        shop.switch(name)
        again.switch(name)
        assert np.array_equal(shop.session.state.displacement, again.session.state.displacement)
        assert [s.row.cells() for s in again.session.steps][1:] == [
            s.row.cells() for s in shop.session.steps][1:]


def test_a_branch_is_an_ordinary_run(shop: Workshop, capsys: pytest.CaptureFixture[str]) -> None:
    shop.work(TAP)
    (folder,) = shop.save()
    assert main(["show", str(folder)]) == 0
    assert "map.png" in capsys.readouterr().out


def test_a_damaged_step_is_said_and_left_out(start: Start, tmp_path: Path) -> None:
    shop = open_workshop(start, tmp_path / "live")
    shop.work(TAP)
    (tmp_path / "live" / "tree" / "0001.npz").write_bytes(b"damaged")
    said: list[str] = []
    again = open_workshop(start, tmp_path / "live", said.append)
    assert len(again.nodes) == 1
    assert any("cannot be read" in line for line in said)


def test_the_answer_is_that_of_the_session(start: Start, shop: Workshop) -> None:
    row = shop.work("pull round-20 at 5,-4 to -1")
    truth = start.session.apply(read_operation("pull round-20 at 5,-4 to -1")).now.row
    assert row.released_mm == pytest.approx(truth.released_mm, abs=1e-9)
    words = panel_words(shop)
    assert words["steps"][1]["row"]["released_mm"] == row.released_mm


def test_normals_of_the_page_are_the_surface_s(start: Start) -> None:
    # on the undamaged panel the exact normal of z = -x^2/(2 rx) - y^2/(2 ry) is known
    work = start.work
    shape = make_shape(work.model, work.window, (-120.0, 120.0, -90.0, 90.0))
    still = np.zeros_like(work.model.patch.control)
    p, n = shape.points(still), shape.normals(still)
    exact = np.stack([p[:, 0] / 900.0, p[:, 1] / 600.0, np.ones(len(p))], axis=1)
    exact /= np.linalg.norm(exact, axis=1, keepdims=True)
    assert np.abs(n - exact).max() < 2e-3


def test_a_forecast_is_the_elastic_answer(start: Start) -> None:
    # Maxwell and Betti: the rise at b by a unit force at a is that at a by one at b
    work, state = start.work, start.session.state
    caster = Forecaster(work.model, state)
    rises = []
    for (x, y), (u, v) in (((0.0, 0.0), (30.0, 20.0)), ((30.0, 20.0), (0.0, 0.0))):
        seen = caster.at(x, y, 0.3)
        moved = seen.displacement - state.displacement
        rises.append(probe_at(work.model, u, v).read(moved) / seen.force_N)
    assert rises[0] == pytest.approx(rises[1], rel=1e-9)


@pytest.mark.parametrize("text", [
    "", "{", "[]", "7", '{"do": "rm"}', '{"do": ["work"]}', "[" * 5000,
    '{"do": "work"}' + " " * 9000, '{"do": null}', "\u0000"])
def test_broken_messages_are_refused(text: str) -> None:
    with pytest.raises(InputError):
        read_message(text)


def test_names_of_branches_stay_words(shop: Workshop) -> None:
    for name in ("", "../up", "a/b", "x" * 60, "\x00", ".hidden", "main"):
        with pytest.raises(InputError):
            shop.fork(name)
    assert list(shop.branches) == ["main"]


def test_lessons_are_sound() -> None:
    found = lessons()
    assert len(found) >= 2
    for lesson in found:
        assert json.dumps(lesson)
        for step in lesson["steps"]:
            for text in step.get("do", []):
                read_operation(text)


def test_a_state_saved_as_a_case_is_that_panel(shop: Workshop) -> None:
    shop.work(TAP)
    file = save_as_case(shop, "after a tap")
    case = load_case(file)
    assert not case.dent.blows
    grid = read_grid(case.dent.grid_csv)
    field = shop.session.now.field
    for x, y in ((5.0, -4.0), (5.0, 40.0), (-40.0, 12.0)):
        row = np.abs(grid.y_mm - y).argmin(), np.abs(grid.x_mm - x).argmin()
        there = np.abs(field.y_mm - grid.y_mm[row[0]]).argmin(), np.abs(
            field.x_mm - grid.x_mm[row[1]]).argmin()
        assert grid.d_mm[row] == pytest.approx(field.d_mm[there], abs=1e-5)
    with pytest.raises(InputError, match="there already"):
        save_as_case(shop, "after a tap")
    shop.work("hold round-20 at 5,-4 by 40")
    with pytest.raises(InputError, match="held"):
        save_as_case(shop, "under tension")


@pytest.mark.parametrize(("text", "word"), [
    ("", "no lesson"), ("title: x", "no lesson"), ("title: x\nsteps: []", "no lesson"),
    ("title: x\nsteps: [{do: [pull]}]", "without words"),
    ("title: x\nsteps: [{say: x, dooo: 1}]", "unknown key"),
    ("title: x\nsteps: [{say: x, do: pull}]", "not a list"),
    ("title: x\nsteps: [{say: x, do: [hit it]}]", "cannot read"), ("[" * 3000, "no YAML"),
    ("title: [", "no YAML")])
def test_faults_of_a_lesson_are_named(text: str, word: str, tmp_path: Path) -> None:
    (tmp_path / "own.yaml").write_text(text)
    with pytest.raises(InputError, match=word):
        lessons(own=[tmp_path / "own.yaml"])
    with pytest.raises(InputError, match="no such file"):
        lessons(own=[tmp_path / "none.yaml"])
