"""Figure and table of the blind test, into docs/reconstruction.md.

Run: python benchmarks/blind_history_page.py (or blind_history.py --page)
"""

from __future__ import annotations

import csv
from itertools import product
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
NEXT = ("second tap, middle", "pull after tap, middle")
HALVES = ("calibration", "test")
LEAST_MM = 0.02
"""Smaller true changes have no error in per cent, and are left out of the figure."""
DRAWS = 20000
"""Number of draws of the sheets' errors."""
Row = dict[str, str]
READ_AS = {"one tap": "before and after, 0.005 mm",
           "one tap, 0.02 mm": "before and after, 0.02 mm", "one tap, after only": "after, 0.02 mm"}
"""Ways to read a tap in words."""


def read_rows() -> list[Row]:
    """The kept table."""
    with RESULTS.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def of(rows: list[Row], **keys: str) -> list[Row]:
    """Rows with these values that have an error in per cent."""
    return [r for r in rows if r["error_pct"] and all(r[k] == v for k, v in keys.items())]


def column(rows: list[Row], *names: str) -> list[np.ndarray]:
    """Columns as numbers."""
    return [np.array([float(r[name]) for r in rows]) for name in names]


def draw(rows: list[Row]) -> None:
    """Predicted over true change with bands; beside it the next answer before and after a tap."""
    figure, (left, right) = plt.subplots(1, 2, figsize=(10.0, 4.4), layout="constrained")
    colours = ("#1b5e7d", "#c1502e", "#5d7d1b")
    for colour, name in zip(colours, CHANGES, strict=True):
        for half, face in (("test", colour), ("calibration", "white")):
            some = of(rows, operation=name, half=half, learned="no")
            if not some:
                continue
            true, mean, low, high = column(some, "true_mm", "predicted_mm", "low_mm", "high_mm")
            ratio = np.stack([mean - low, high - mean]) / np.abs(true)
            left.errorbar(np.abs(true), mean / true, yerr=ratio, fmt="o", ms=4, lw=0.7, capsize=2,
                          color=colour, markerfacecolor=face,
                          label=name if half == "test" else None)
    left.axhline(1.0, color="0.3", lw=0.8)
    left.axhspan(0.9, 1.1, color="0.5", alpha=0.12, lw=0)
    left.set(xscale="log", xlabel="true change after release, mm (size)",
             ylabel="predicted / true change")
    left.legend(frameon=False, fontsize=9)
    left.set_title("Foretold from noisy depths alone (filled: test half)", fontsize=10)
    for colour, name in zip(colours[1:], NEXT, strict=True):
        before, after = pairs(rows, name, "")
        if before.size:
            right.loglog(np.maximum(before, 0.2), np.maximum(after, 0.2), "o", ms=4, color=colour,
                         label=name)
    ends = np.array([0.2, 200.0])
    right.loglog(ends, ends, color="0.3", lw=0.8)
    right.loglog(ends, 0.5 * ends, color="0.3", lw=0.8, ls=":")
    right.set(xlabel="error before readings, %", ylabel="error after readings of one tap, %")
    right.legend(frameon=False, fontsize=9)
    right.set_title("The next answer (dotted: halved)", fontsize=10)
    figure.savefig(PICTURE, dpi=150)
    plt.close(figure)


def pairs(rows: list[Row], name: str, half: str, way: str = "one tap"
          ) -> tuple[np.ndarray, np.ndarray]:
    """Sizes of the errors, %, of one answer before and after readings of the first tap."""
    told = {(r["case"], r["learned"]): abs(float(r["error_pct"])) for r in of(rows, operation=name)
            if not half or r["half"] == half}
    cases = [case for case, learned in told if learned == "no" and (case, way) in told]
    return (np.array([told[case, "no"] for case in cases]),
            np.array([told[case, way] for case in cases]))


def summary(rows: list[Row]) -> list[str]:
    """By half and change: errors, how often the band holds the truth, how wide it is."""
    lines = []
    for half in HALVES:
        every = [r for r in of(rows, half=half, learned="no") if r["operation"] in CHANGES]
        groups = [(name, of(every, operation=name)) for name in CHANGES]
        for name, some in [*groups, ("all", every)]:
            if not some:
                continue
            error = np.abs(column(some, "error_pct")[0])
            low, high, true = column(some, "low_mm", "high_mm", "true_mm")
            held, wide = (low <= true) & (true <= high), 100.0 * (high - low) / np.abs(true)
            beside = [r for r in some if r["imprint_mm"]]
            alone, its = column(beside, "imprint_mm", "true_mm")
            said = f"{np.median(np.abs(100.0 * (alone / its - 1.0))):.0f}" if beside else "-"
            lines.append(f"| {half} | {name} | {len(some)} | {np.median(error):.0f} | "
                         f"{np.percentile(error, 95):.0f} | {error.max():.0f} | "
                         f"{100 * held.mean():.0f} | {np.median(wide):.0f} | {wide.max():.0f} | "
                         f"{said} |")
    return lines


def springing(one: list[Row]) -> str:
    """How many pulls spring before half way, and how far their travels are foretold."""
    told = [(float(r["springs_true_mm"]), [float(t) for t in r["springs_mm"].split("/")])
            for r in one if r.get("springs_mm")]
    if not told:
        return "The travel at which pulls spring was not computed for these rows."
    true = [(at, some) for at, some in told if at > 0.0]
    both = [100.0 * abs(some[0] / at - 1.0) for at, some in true if some[0] > 0.0]
    missed = sum(not any(some) for _, some in true)
    false = sum(at == 0.0 and any(some) for at, some in told)
    error = f"{np.median(both):.0f} % in the median, {max(both):.0f} % at worst" if both else "-"
    return (f"On {len(true)} of {len(told)} dents the released sheet springs before the pull is "
            f"half way. The first history springs in {len(both)} of them, at a travel that is "
            f"wrong by {error}; no history springs in {missed}, and some history does in {false} "
            "where the truth does not. These pulls are compared at four fifths of the true travel.")


def learned_summary(rows: list[Row]) -> list[str]:
    """By way of reading, half and next answer: errors before and after readings of one tap."""
    lines = []
    ways = [way for way in dict.fromkeys(r["learned"] for r in rows) if way != "no"]
    for way, half, name in product(ways, HALVES, NEXT):
        before, after = pairs(rows, name, half, way)
        if before.size:
            some = of(rows, operation=name, half=half, learned=way)
            low, high, true = column(some, "low_mm", "high_mm", "true_mm")
            held, wide = (low <= true) & (true <= high), 100.0 * (high - low) / np.abs(true)
            lines.append(
                f"| {READ_AS.get(way, way)} | {half} | {name} | {before.size} | "
                f"{np.median(before):.0f} | {np.median(after):.0f} | "
                f"{np.median(after / np.maximum(before, 0.1)):.2f} | "
                f"{(after - before).max():+.0f} | {100 * held.mean():.0f} | {np.median(wide):.0f} |"
            )
    return lines


def perfect(rows: list[Row]) -> str:
    """The median error that a perfect history in a sheet with this spread would have.

    Errors are drawn from normal distributions with the standard deviations of ``sheet_pct``.
    """
    said = []
    rng = np.random.default_rng(1)
    for kinds, name in ((CHANGES, "all answers of the test half"),
                        (NEXT[1:], "its pull after a tap")):
        spread = np.concatenate([column(of(rows, operation=kind, half="test", learned="no"),
                                        "sheet_pct")[0] for kind in kinds])
        drawn = np.median(np.abs(rng.normal(size=(DRAWS, len(spread))) * spread), axis=1)
        low, high = np.percentile(drawn, [5, 95])
        said.append(f"{drawn.mean():.1f} % for {name} (nine of ten draws: {low:.1f} to "
                    f"{high:.1f})")
    return ("With the true history, and no other error, this spread alone would give a median "
            "error of " + " and ".join(said) + ".")


def table(rows: list[Row]) -> str:
    """What goes between the marks of the page."""
    one = list({r["case"]: r for r in rows}.values())
    match, seconds = column(one, "match_mm", "seconds")
    halves = " and ".join(f"{sum(r['half'] == half for r in one)} of the {half} half"
                          for half in HALVES)
    lines = [
        "![Predicted over true change](pictures/blind-history.png)", "",
        "| half | change | dents | error, % median | 95th percentile | worst | band holds, % "
        "| width, % median | worst | imprint alone: error, % median |",
        "|---|---|---|---|---|---|---|---|---|---|", *summary(rows), "",
        "| five places read | half | next answer | dents | error before, % median | after readings "
        "| after over before, median | most worse by, points | band then holds, % "
        "| width, % median |",
        "|---|---|---|---|---|---|---|---|---|---|", *learned_summary(rows), "",
        f"{len(one)} dents computed, {halves}. Changes below {LEAST_MM:g} mm, the noise of one "
        "reading, count in no percentage. Width: band over true change. Depth field matched to "
        f"{np.median(match):.3f} mm rms (median; worst {match.max():.3f}); search and all "
        f"histories took {np.median(seconds):.0f} s of one processor (median; worst "
        f"{seconds.max():.0f}).", "",
        springing(one), "",
        "What the declared spread of the sheet alone does to the answers (one standard error of "
        "flow stress and of thickness, root of squares, median over the dents): " + ", ".join(
            f"{name} {np.median(column(of(rows, operation=name, learned='no'), 'sheet_pct')):.0f} %"
            for name in (*CHANGES, *NEXT)) + ". " + perfect(rows), "",
        "| dent | half | taken | tap, tapped place: true, predicted mm | tap, middle "
        "| pull, middle | springs at: true, each history, mm of travel |",
        "|---|---|---|---|---|---|---|"]
    for r in one:
        said = {q["operation"]: f"{float(q['true_mm']):+.3f}, {float(q['predicted_mm']):+.3f}"
                for q in rows if q["case"] == r["case"] and q["learned"] == "no"}
        cells = [said.get(name, "no crown") for name in CHANGES]
        lines.append(f"| {r['case']} | {r['half']} | {r['taken']} | " + " | ".join(cells) +
                     f" | {r.get('springs_true_mm', '')}; {r.get('springs_mm', '')} |".replace(
                         "0.00", "no"))
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
