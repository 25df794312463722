"""Figure and table of the blind test, into docs/reconstruction.md.

Run: python benchmarks/blind_history_page.py (or blind_history.py --page)
"""

from __future__ import annotations

import csv
from pathlib import Path

import matplotlib as mpl
import numpy as np

mpl.use("Agg")
import matplotlib.pyplot as plt

ROOT = Path(__file__).parent.parent
RESULTS = Path(__file__).parent / "results" / "blind_history.csv"
PAGE = ROOT / "docs" / "reconstruction.md"
PICTURE = ROOT / "docs" / "pictures" / "blind-history.png"
BEGIN, END = "<!-- blind -->\n", "<!-- end -->"
CHANGES = ("tap, tapped place", "tap, middle", "pull, middle")
LEAST_MM = 0.02
"""Smaller true changes have no error in per cent, and are left out of the figure."""


def read_rows() -> list[dict[str, str]]:
    """The kept table."""
    with RESULTS.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def draw(rows: list[dict[str, str]]) -> None:
    """Predicted change over the true one, with bands."""
    figure, axis = plt.subplots(figsize=(6.4, 4.4), layout="constrained")
    colours = ("#1b5e7d", "#c1502e", "#5d7d1b")
    for colour, name in zip(colours, CHANGES, strict=True):
        some = [r for r in rows if r["operation"] == name and r["error_pct"]]
        true, mean, low, high = (np.array([float(r[k]) for r in some]) for k in (
            "true_mm", "predicted_mm", "low_mm", "high_mm"))
        ratio = np.stack([mean - low, high - mean]) / np.abs(true)
        axis.errorbar(np.abs(true), mean / true, yerr=ratio, fmt="o", ms=4, lw=0.8, capsize=2,
                      color=colour, label=name)
    axis.axhline(1.0, color="0.3", lw=0.8)
    axis.axhspan(0.9, 1.1, color="0.5", alpha=0.12, lw=0)
    axis.set_xscale("log")
    axis.set_xlabel("true change after release, mm (size)")
    axis.set_ylabel("predicted / true change")
    axis.legend(frameon=False, fontsize=9)
    axis.set_title("Dents of known history, reconstructed from noisy depths alone", fontsize=10)
    figure.savefig(PICTURE, dpi=150)
    plt.close(figure)


def summary(rows: list[dict[str, str]]) -> list[str]:
    """Median and worst errors, how often the band holds the truth, how wide it is."""
    lines = []
    every = [r for r in rows if r["error_pct"]]
    groups = [(name, [r for r in every if r["operation"] == name])
              for name in CHANGES]
    for name, some in [*groups, ("all", every)]:
        if not some:
            continue
        error = np.abs([float(r["error_pct"]) for r in some])
        low, high, true = (np.array([float(r[k]) for r in some])
                           for k in ("low_mm", "high_mm", "true_mm"))
        held, wide = (low <= true) & (true <= high), 100.0 * (high - low) / np.abs(true)
        alone = 100.0 * np.abs(np.array([float(r["imprint_mm"]) for r in some]) / true - 1.0)
        lines.append(f"| {name} | {len(some)} | {np.median(error):.0f} | {error.max():.0f} | "
                     f"{100 * held.mean():.0f} | {np.median(wide):.0f} | {wide.max():.0f} | "
                     f"{np.median(alone):.0f} | {alone.max():.0f} |")
    return lines


def table(rows: list[dict[str, str]]) -> str:
    """What goes between the marks of the page."""
    one = list({r["case"]: r for r in rows}.values())
    match = np.array([float(r["match_mm"]) for r in one])
    seconds = np.array([float(r["seconds"]) for r in one])
    lines = [
        "![Predicted over true change](pictures/blind-history.png)", "",
        "| change | dents | error, % median | worst | band holds, % | width, % median | worst "
        "| imprint alone: error, % median | worst |",
        "|---|---|---|---|---|---|---|---|---|", *summary(rows), "",
        f"{len(one)} dents. Changes below {LEAST_MM:g} mm, the noise of one reading, count in no "
        "percentage. Width: band over true change. Depth field matched to "
        f"{np.median(match):.3f} mm rms (median; worst {match.max():.3f}); search and history took "
        f"{np.median(seconds):.0f} s of the processor (median; worst {seconds.max():.0f}).", "",
        "| dent | taken | tap, tapped place: true, predicted mm | tap, middle | pull, middle |",
        "|---|---|---|---|---|"]
    for r in one:
        said = {q["operation"]: f"{float(q['true_mm']):+.3f}, {float(q['predicted_mm']):+.3f}"
                for q in rows if q["case"] == r["case"]}
        cells = [said.get(name, "no crown") for name in CHANGES]
        lines.append(f"| {r['case']} | {r['taken']} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Draw and write."""
    rows = read_rows()
    draw(rows)
    text = PAGE.read_text(encoding="utf-8")
    begin, end = text.index(BEGIN) + len(BEGIN), text.index(END)
    PAGE.write_text(text[:begin] + table(rows) + text[end:], encoding="utf-8")


if __name__ == "__main__":
    main()
