"""The page in a browser: no outside request, the numbers of the engine, undo, watchers, attacks."""

from __future__ import annotations

import contextlib
import json
import shutil
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from small_live import Live, start

from simkit.case import load_case
from simkit.repair.spoken import read_operation
from simkit.study.run import prepare

pytest.importorskip("fastapi")
sync_api = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
READY = "!!(window.simkit && window.simkit.panel && window.simkit.shapes.has(0))"


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    running = start(tmp_path_factory.mktemp("page"))
    yield running
    running.process.kill()
    running.process.communicate()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=[
            "--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader", "--disable-quic",
            "--enable-unsafe-swiftshader", "--disable-background-networking"])
        yield chromium
        chromium.close()


def until(page: Any, what: str, seconds: float = 240.0) -> None:
    deadline = time.monotonic() + seconds
    while not page.evaluate(what):
        assert time.monotonic() < deadline, what
        time.sleep(0.05)


@needs_browser
def test_a_trainer_pulls_undoes_and_branches(live: Live, browser: Any) -> None:
    page = browser.new_page(viewport={"width": 900, "height": 640})
    page.set_default_timeout(240_000)  # drawing without a graphics card, on a busy machine
    faults: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: faults.append(message.text))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(live.work)
    until(page, READY)
    origin = live.work.split("/?")[0]
    assert all(url.startswith((origin, "data:")) for url in asked), asked
    before = page.evaluate("window.simkit.panel.steps[0].row.max_low_mm")

    page.select_option("#tool", "round-20")
    page.fill("#to", "-1")
    page.click("#deepest")
    page.click("#go")
    until(page, "window.simkit.panel.steps.length === 2")
    step = page.evaluate("window.simkit.panel.steps[1]")
    case = load_case(live.folder.parent / "case.yaml")
    truth = prepare(case, live.folder / "dent", 1, lambda text: None).session.apply(
        read_operation(step["operation"])).now.row
    assert step["row"]["released_mm"] == pytest.approx(truth.released_mm, abs=1e-9)
    assert step["row"]["force_N"] == pytest.approx(truth.force_N, abs=1e-6)
    assert f"{truth.max_low_mm:.2f} mm" in page.inner_text("#numbers")

    page.click("#undo")
    until(page, "window.simkit.panel.node === 0")
    assert page.evaluate("window.simkit.panel.steps[0].row.max_low_mm") == before
    page.fill("#name", "crown first")
    page.click("#fork")
    until(page, "window.simkit.panel.branch === 'crown first'")
    page.select_option("#compare", "main")
    until(page, "!document.getElementById('second').hidden")
    first = page.screenshot()
    page.focus("#panel")
    for _ in range(5):
        page.keyboard.press("ArrowLeft")
    time.sleep(0.5)
    assert page.screenshot() != first
    assert faults == []
    page.close()


FINGERS = """() => {
  const canvas = document.getElementById("panel"), view = window.simkit.view;
  const zoom = view.zoom, turn = view.turn;
  const say = (name, id, x) => canvas.dispatchEvent(new PointerEvent(name, {
    pointerId: id, clientX: x, clientY: 50, pointerType: "touch" }));
  say("pointerdown", 7, 100); say("pointerdown", 8, 200); say("pointermove", 8, 300);
  say("pointerup", 7, 100); say("pointerup", 8, 300);
  return [view.zoom / zoom, view.turn - turn];
}"""


@needs_browser
def test_a_tablet_taps_drags_and_pinches(live: Live, browser: Any) -> None:
    page = browser.new_page(viewport={"width": 820, "height": 1180}, has_touch=True)
    page.set_default_timeout(240_000)
    page.goto(live.watch)
    until(page, READY)
    assert page.evaluate("document.documentElement.scrollWidth") <= 820
    page.locator("#map").scroll_into_view_if_needed()
    box = page.locator("#map").bounding_box()
    x, y = box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"]
    page.touchscreen.tap(x, y)
    until(page, "window.simkit.map.at.every((value) => Math.abs(value) < 15)")
    reading = page.inner_text("#reading")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 0.3 * box["width"], y, steps=4)
    until(page, "window.simkit.map.at[0] > 20")
    assert page.inner_text("#reading") != reading  # the section follows the place
    page.mouse.up()
    zoomed, turned = page.evaluate(FINGERS)
    assert zoomed == pytest.approx(2.0)
    assert turned == 0.0
    page.close()


@needs_browser
def test_watchers_see_and_do_not_work(live: Live, browser: Any) -> None:
    page = browser.new_page(viewport={"width": 900, "height": 640})
    page.set_default_timeout(240_000)
    page.goto(live.watch)
    until(page, READY)
    assert page.is_disabled("#go")
    page.evaluate("window.simkit.socket.send(JSON.stringify({do: 'undo'}))")
    until(page, "!!window.simkit.error")
    assert "only watches" in page.evaluate("window.simkit.error")
    page.close()


def fetch(address: str) -> int:
    try:
        with urllib.request.urlopen(address, timeout=10) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def test_without_the_token_there_is_nothing(live: Live) -> None:
    origin = live.work.split("/?")[0]
    assert fetch(live.work) == 200
    for path in ("/", "/?token=", "/?token=wrong", "/docs", "/openapi.json",
                 "/..%2f..%2fcase.yaml", "/case.yaml"):
        assert fetch(origin + path) in (403, 404)
    token = live.work.split("=")[1]
    for path in ("..%2f..%2fcase.yaml", "%2e%2e/live.json", "index.html", "live.json"):
        assert fetch(f"{origin}/{path}?token={token}") in (403, 404)


def test_foreign_origins_broken_words_and_many_viewers(live: Live) -> None:
    client = pytest.importorskip("websockets.sync.client")
    exceptions = pytest.importorskip("websockets.exceptions")
    origin = live.work.split("/?")[0]
    talk = origin.replace("http", "ws") + "/talk?token=" + live.work.split("=")[1]
    for address, source in ((talk, "http://elsewhere.example"), (talk, None),
                            (talk + "x", origin)):
        with pytest.raises((exceptions.InvalidStatus, exceptions.ConnectionClosed)), \
                client.connect(address, origin=source) as socket:
            socket.recv(timeout=10)
    with client.connect(talk, origin=origin, max_size=None) as socket:
        for text in ("{", "[]", '{"do": "shape", "node": 1e9}', '{"do": "work", "text": "pull"}',
                     '{"do": "work", "text": "pull round-20 at 1e9,0"}', "x" * 9000):
            socket.send(text)
        answers: list[str] = []
        while len(answers) < 6:
            word = socket.recv(timeout=60)
            if isinstance(word, str) and json.loads(word)["type"] == "error":
                answers.append(word)
        assert not any("Traceback" in word for word in answers)
    watch = talk.split("token=")[0] + "token=" + live.watch.split("=")[1]
    with contextlib.ExitStack() as crowd:
        for _ in range(50):
            socket = crowd.enter_context(client.connect(watch, origin=origin, max_size=None))
            assert json.loads(socket.recv(timeout=60))["works"] is False


def test_the_session_is_kept_when_the_server_ends(tmp_path: Path) -> None:
    client = pytest.importorskip("websockets.sync.client")
    running = start(tmp_path)
    origin = running.work.split("/?")[0]
    talk = origin.replace("http", "ws") + "/talk?token=" + running.work.split("=")[1]
    with client.connect(talk, origin=origin, max_size=None) as socket:
        socket.send('{"do": "work", "text": "tap ball-12 at 5,40 to 0"}')
        while True:
            word = socket.recv(timeout=90)
            if isinstance(word, str) and json.loads(word)["type"] == "free":
                break
    assert "saved" in running.stop()
    held = json.loads((running.folder / "live.json").read_text())
    assert held["nodes"] == 2
    assert (running.folder / "runs" / "main" / "run.json").is_file()
