"""Record a lesson of the live page as a moving picture for the documentation.

Run: python benchmarks/record_lesson.py [--lesson crown-first] [--out docs/pictures/lesson.gif]

A headless browser opens the page on cases/questions/panels/bowl.yaml (an invented panel), goes
through the lesson as a trainer would, and a picture of the page is kept after every step. Two
branches stand side by side at the end. Needs playwright, chromium and pillow.
"""

from __future__ import annotations

import argparse
import io
import tempfile
from pathlib import Path
from typing import Any

from live_latency import chromium, open_page, serve, until
from PIL import Image
from playwright.sync_api import sync_playwright

ROOT = Path(__file__).parents[1]
CASE = ROOT / "cases" / "questions" / "panels" / "bowl.yaml"
WIDE, HIGH, SHOWN_S, COLOURS, DRAWN = 1200, 1160, 3.0, 128, (900, 870)
TURNS = 4


def record(page: Any, lesson: str) -> list[Image.Image]:
    """Pictures of the page through a lesson."""
    page.evaluate("document.getElementById('watch').hidden = true")
    kept = [picture(page)]
    page.select_option("#lessons", lesson)
    steps = page.evaluate("window.simkit.lesson.steps.length")
    for number in range(steps):
        kept.append(picture(page))
        if page.evaluate(f"!!window.simkit.lesson.steps[{number}].do"):
            done = page.evaluate("window.simkit.panel.steps.length + window.simkit.panel.branch")
            page.click("#words button:has-text('do it')")
            until(page, f"!window.simkit.busy && window.simkit.panel.steps.length + "
                        f"window.simkit.panel.branch !== '{done}' && "
                        "document.querySelectorAll('#words p').length > 1")
            kept.append(picture(page))
        if number + 1 < steps:
            page.click("#words button:has-text('next')")
    branches = page.evaluate("Object.keys(window.simkit.panel.branches)")
    page.select_option("#compare", next(b for b in branches if b != "main"))
    for _ in range(TURNS):
        page.evaluate("window.simkit.view.rotate(0.25, 0)")
        kept.append(picture(page))
    return kept


def picture(page: Any) -> Image.Image:
    """The page as it is seen, once it is at rest."""
    page.wait_for_timeout(900)
    seen = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    return seen.resize(DRAWN, Image.Resampling.LANCZOS)


def main() -> None:
    """Record, write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lesson", default="crown-first")
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "pictures" / "lesson.gif")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        process, address = serve(CASE, Path(name))
        browser = chromium(play)
        try:
            kept = record(open_page(browser, address, WIDE, HIGH), asked.lesson)
        finally:
            browser.close()
            process.terminate()
            process.communicate(timeout=60)
    both = Image.new("RGB", (DRAWN[0], 2 * DRAWN[1]))
    both.paste(kept[1], (0, 0))
    both.paste(kept[-1], (0, DRAWN[1]))
    palette = both.quantize(COLOURS)
    drawn = [image.quantize(palette=palette, dither=Image.Dither.NONE) for image in kept]
    drawn[0].save(asked.out, save_all=True, append_images=drawn[1:], loop=0,
                  duration=int(1000 * SHOWN_S))
    print(f"{len(kept)} pictures, {asked.out.stat().st_size / 1e6:.1f} MB: {asked.out}")


if __name__ == "__main__":
    main()
