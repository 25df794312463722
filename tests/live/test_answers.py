"""The panel answers in a live session: readings after a step choose the history it goes on with.

Truth: OWN, one of the histories itself gives the readings; what is tested is that the work then
goes on from it.
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline
from small_live import STRUCK
from small_live import start as start_live

from simkit.case.load import load_case
from simkit.errors import InputError
from simkit.inspection.spots import SampledField
from simkit.live.answers import answer, counsel, typed_readings
from simkit.live.workshop import Workshop, open_workshop
from simkit.study.run import Start, prepare

PLACES = ((5.0, -4.0), (20.0, -4.0), (5.0, 15.0), (-12.0, -4.0), (40.0, 10.0))
TAP, PUSH = "tap ball-12 at 38,-4 to 0.02", "push ball-12 at 5,-4 to -0.6"


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Start:
    folder = tmp_path_factory.mktemp("answers")
    (folder / "case.yaml").write_text(STRUCK, encoding="utf-8")
    return prepare(load_case(folder / "case.yaml"), folder / "dent", 1, lambda text: None)


@pytest.fixture
def shop(start: Start, tmp_path: Path) -> Workshop:
    return open_workshop(start, tmp_path / "live")


def quiet(text: str) -> None:
    """Say nothing."""


def lines_of(field: SampledField) -> str:
    spline = RectBivariateSpline(field.x_mm, field.y_mm, field.d_mm.T, s=0)
    return "\n".join(f"{x} {y} {float(spline(x, y)[0, 0]):.4f}" for x, y in PLACES)


def test_the_work_goes_on_from_the_history_that_gave_the_readings(
        shop: Workshop, start: Start, tmp_path: Path) -> None:
    shop.work(PUSH)
    own = answer(shop, lines_of(shop.session.now.field), quiet)
    assert [before for _, before, _ in own.histories] == pytest.approx(
        [one["weight"] for one in start.notes["plausible"]], abs=1e-6)
    assert sum(after for _, _, after in own.histories) == pytest.approx(1.0)
    # Readings of another history, twice if the first time it only gains.
    with np.load(next((shop.folder / "learned").glob("*/doubt/1/fields/0001.npz"))) as data:
        other = SampledField(data["x_mm"], data["y_mm"], data["d_mm"], np.isfinite(data["d_mm"]))
    gained = []
    for _ in range(6):
        told = answer(shop, lines_of(other), quiet)
        gained.append(told.histories)
        if told.branch != "main":
            break
    second = [one[2] for one in gained[0]][1]
    assert second > [one[1] for one in gained[0]][1]
    for earlier, later in pairwise(gained):  # weights are carried on
        assert [one[1] for one in later] == pytest.approx([one[2] for one in earlier])
    assert shop.branch == "as read 1"
    np.testing.assert_allclose(shop.session.now.field.d_mm, other.d_mm, atol=1e-6)
    assert next(shop.nodes[k].operation for k in shop.path(shop.branch)) == "the dent"
    shop.work(TAP)
    again = open_workshop(start, shop.folder)
    assert again.branch == "as read 1"
    assert len(again.path(again.branch)) == 3
    np.testing.assert_allclose(again.session.state.displacement, shop.session.state.displacement)
    assert counsel(again, quiet)


@pytest.mark.parametrize(("text", "says"), [
    ("", "0 readings"), ("1 2", "line 1"), ("1 2 3\n4 5 nan", "line 2"), ("1 2 x", "line 1"),
    ("1 2 3", "1 readings"), ("1 2 3\n4 5 6 7", "line 2"), ("1 2 3 4 5", "line 1"),
    ("1 2 3\n" * 61, "61 readings")])
def test_lines_that_are_no_readings_are_named(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        typed_readings(text, 0.02)


def test_readings_are_read_with_blanks_commas_or_semicolons() -> None:
    read = typed_readings("1 2 -0.3\n\n4, 5, 0.1\n7;8;0", 0.02)
    points = read.points
    assert read.before_mm is None
    np.testing.assert_allclose(points.xy_mm, [[1, 2], [4, 5], [7, 8]])
    np.testing.assert_allclose(points.d_mm, [-0.3, 0.1, 0.0])
    assert list(points.line) == [1, 3, 4]
    both = typed_readings("1 2 -0.3 -0.2\n4 5 0.1 0.3", 0.02)
    np.testing.assert_allclose(both.points.d_mm, [-0.2, 0.3])
    assert both.before_mm is not None
    np.testing.assert_allclose(both.before_mm, [-0.3, 0.1])


def test_what_cannot_answer_is_refused_and_changes_nothing(shop: Workshop) -> None:
    with pytest.raises(InputError, match="before the first step"):
        answer(shop, "0 0 -1\n1 1 -1", quiet)
    shop.work(TAP)
    with pytest.raises(InputError, match="not of this panel"):
        answer(shop, "5 -4 0.8\n20 -4 -0.9\n5 15 0.7\n-12 -4 -0.8", quiet)
    with pytest.raises(InputError, match="errs by 9 mm"):
        answer(shop, "5 -4 -1.2\n20 -4 -0.9", quiet, 9.0)
    assert list(shop.branches) == ["main"]
    assert not list((shop.folder / "learned").glob("*.json"))


def test_a_dent_with_one_history_says_so(start: Start, tmp_path: Path) -> None:
    alone = Start(start.work, start.session, {"sentence": ""}, "", matched=True)
    shop = open_workshop(alone, tmp_path / "live")
    shop.work(TAP)
    with pytest.raises(InputError, match="only one history"):
        answer(shop, "5 -4 -1\n20 -4 -1", quiet)


def test_the_page_is_told_what_was_learned(tmp_path: Path) -> None:
    """Over the socket, as the page does it: a push, readings after it, then advice."""
    client = pytest.importorskip("websockets.sync.client")
    running = start_live(tmp_path, case=STRUCK)
    origin = running.work.split("/?")[0]
    talk = origin.replace("http", "ws") + "/talk?token=" + running.work.split("=")[1]
    try:
        with client.connect(talk, origin=origin, max_size=None) as socket:
            def said(message: dict[str, str], awaited: str) -> dict:
                socket.send(json.dumps(message))
                while True:
                    word = socket.recv(timeout=180)
                    if isinstance(word, str) and json.loads(word)["type"] in (awaited, "error"):
                        return json.loads(word)

            assert "before the first step" in said({"do": "readings", "text": "0 0 -1\n5 5 -1"},
                                                   "answer")["text"]
            said({"do": "work", "text": PUSH}, "free")
            # The answer comes from the state; the run folder is written after it.
            shop = open_workshop(prepare(load_case(tmp_path / "case.yaml"), running.folder / "dent",
                                         1, quiet), tmp_path / "copy")
            shop.work(PUSH)
            told = said({"do": "readings", "text": lines_of(shop.session.now.field)}, "answer")
            assert told["branch"] == "main"
            assert sum(after for _, _, after in told["histories"]) == pytest.approx(1.0)
            assert said({"do": "counsel"}, "answer")["sentences"]
            assert "letters" in said({"do": "readings", "text": "1 2 3\n" * 600}, "answer")["text"]
    finally:
        running.process.kill()
        running.process.communicate()
