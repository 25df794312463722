"""How fast the page answers: forecast on screen, true answer of a pull, pictures a second.

    python benchmarks/live_latency.py [--pulls 5] [--store]

A panel of 64 x 64 elements is opened in a headless browser. The forecast is timed from the click to
its numbers on the page, a pull from the press of the button, by the page's own clock, to the frame
that draws the new shape; every pull starts from the dent again. The answer on the page is compared
with the engine's own, so that nothing stale is timed. Needs playwright and chromium; drawing is in
software where there is no graphics card.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from simkit.case import load_case
from simkit.files import write_json
from simkit.repair.spoken import read_operation
from simkit.study.run import prepare

RESULT = Path(__file__).parent / "results" / "live_latency.json"
CASE = """\
format: 1
title: Bowl for timing
about: Invented for the benchmark.
panel: {surface: curved, length_x_mm: 448, length_y_mm: 320, radius_x_mm: 1200, radius_y_mm: 600,
        thickness_mm: 0.75, grade: DC04}
mesh: {fine_mm: 5, coarse_mm: 7, layers: 5}
dent:
  blows:
    - {body: ball, radius_mm: 25, x_mm: 0, y_mm: 0, depth_mm: 3}
kit: {tabs: [round-20], tips: [ball-12], glue: standard-hot-melt}
"""
PULL = "pull round-20 at 0,0 to -1"
FRAMES = """() => new Promise((done) => {
  const view = window.simkit.view, begin = performance.now(); let count = 0;
  const next = () => { view.turn += 0.02; view.draw(); count += 1;
    if (performance.now() - begin > 3000) done(1000 * count / (performance.now() - begin));
    else requestAnimationFrame(next); };
  next(); })"""


PRESS = """(node) => new Promise((done) => {
  const begin = performance.now(), k = window.simkit;
  document.getElementById("go").click();
  const look = () => (k.panel.node === node && k.shapes.has(node))
    ? requestAnimationFrame(() => done((performance.now() - begin) / 1000)) : setTimeout(look, 2);
  look(); })"""


def start(folder: Path) -> tuple[subprocess.Popen[str], str]:
    """The server on the case of this benchmark."""
    (folder / "case.yaml").write_text(CASE, encoding="utf-8")
    return serve(folder / "case.yaml", folder)


def serve(case: Path, folder: Path) -> tuple[subprocess.Popen[str], str]:
    """The server on a case; its process and the worker's address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "simkit", "live", str(case), "--out",
         str(folder / "live"), "--no-browser", "--threads", str(os.cpu_count() or 1)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    said = []
    for line in process.stdout:
        said.append(line)
        if found := re.match(r"work +(http\S+)", line):
            return process, found[1]
    raise SystemExit("the server ended:\n" + "".join(said))


def chromium(play: Any) -> Any:
    """A headless browser that draws in software."""
    return play.chromium.launch(
        executable_path=shutil.which("chromium") or shutil.which("chromium-browser"),
        args=["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader",
              "--enable-unsafe-swiftshader"])


def open_page(browser: Any, address: str, wide: int, high: int) -> Any:
    """The live page once the dent is on it; conditions may be waited for (`until`)."""
    page = browser.new_page(viewport={"width": wide, "height": high}, bypass_csp=True)
    page.goto(address)
    until(page, "window.simkit && window.simkit.panel && window.simkit.shapes.has(0)")
    return page


def until(page: Any, what: str) -> None:
    """Wait for a condition on the page, at most four minutes."""
    page.wait_for_function(what, timeout=240_000, polling=5)


def timed_forecasts(page: Any, count: int) -> list[float]:
    """Milliseconds from a click on the map to the forecast's numbers; the first one factors."""
    spent = []
    for k in range(count):
        page.evaluate("window.simkit.forecast = null")
        page.evaluate(f"window.simkit.map.choose({3 * k}, {2 * k})")
        until(page, "window.simkit.forecast")
        spent.append(page.evaluate("window.simkit.forecast_ms"))
    return spent


def timed_pulls(page: Any, count: int, wait_s: float, shift_mm: float
                ) -> tuple[list[float], float]:
    """Seconds from the button to the new shape, each from the dent and at a place of its own
    (an operation done before is not computed again); the height the first one was left at.

    wait_s: seconds from the choice of the place to the button. The page computes the chosen
    operation ahead from 0.2 s after the choice on; with ``wait_s`` 0 nothing is ahead.
    """
    spent, first = [], 0.0
    for k in range(count):
        page.fill("#to", "-1")
        page.evaluate(f"window.simkit.map.choose({1.5 * k + shift_mm}, {-0.5 * k})")
        time.sleep(wait_s)
        spent.append(page.evaluate(PRESS, page.evaluate("window.simkit.shapes.size")))
        height = page.evaluate("window.simkit.panel.steps.at(-1).row.released_mm")
        first = first if k else height
        page.click("#undo")
        until(page, "window.simkit.panel.node === 0")
    return spent, first


def main() -> None:
    """Time it, check it, print it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pulls", type=int, default=5)
    parser.add_argument("--store", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        process, address = start(Path(name))
        browser = chromium(play)
        try:
            page = open_page(browser, address, 1200, 800)
            forecasts = timed_forecasts(page, 12)
            at_once, height = timed_pulls(page, args.pulls, 0.0, 0.0)
            pulls, _ = timed_pulls(page, args.pulls, 1.0, 0.7)
            frames = page.evaluate(FRAMES)
        finally:
            browser.close()
            process.terminate()
            process.communicate(timeout=60)
        case = load_case(Path(name) / "case.yaml")
        begun = prepare(case, Path(name) / "live" / "dent", 1, lambda text: None)
        elements = begun.work.model.patch.basis_u.elements, begun.work.model.patch.basis_v.elements
        truth = begun.session.apply(read_operation(PULL)).now.row.released_mm
        assert abs(truth - height) < 1e-9, (truth, height)
    found = {"elements": elements, "processors": os.cpu_count(),
             "forecast_first_ms": round(forecasts[0], 1),
             "forecast_median_ms": round(statistics.median(forecasts[1:]), 1),
             "pull_at_once_median_s": round(statistics.median(at_once), 3),
             "pull_at_once_s": [round(spent, 3) for spent in at_once],
             "pull_after_1_s_median_s": round(statistics.median(pulls), 3),
             "pull_after_1_s_s": [round(spent, 3) for spent in pulls],
             "frames_per_s": round(frames, 1), "drawing": "software, 1200 x 800"}
    print(json.dumps(found, indent=1))
    if args.store:
        write_json(RESULT, found)


if __name__ == "__main__":
    main()
