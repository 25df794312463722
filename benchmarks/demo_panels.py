"""Both demo panels of deep damage, from their readings to the end of 150 minutes of work.

Run: python benchmarks/demo_panels.py [--panels left right] [--strategies NAME ...] [--out DIR]
     [--pictures] [--page]

Each panel is reconstructed once; every strategy then works on that dent, matched or not, and its
table says which. Runs are recorded step by step under --out (runs/demo-panels if not given): given
again, the script goes on where it stopped. What was finished is kept in
benchmarks/results/demo_panels.csv: what is left at the start, after 30, 60, 90, 120 minutes of work
and at the end. --pictures copies the maps of the best run of each panel to docs/pictures; --page
writes the table of docs/demo-panels.md.

The panels and their damage are invented. Truth: none; it shows that the way from readings to the
end of work holds, and how far it leads.
"""

from __future__ import annotations

import argparse
import csv
import shutil
from pathlib import Path

from simkit.case.load import load_case
from simkit.files import write_table
from simkit.record.read import StepRecord, read_run
from simkit.show.draw import draw_run
from simkit.strategy import find_strategy
from simkit.study.run import Start, prepare, run_strategy

HERE = Path(__file__).parent
RESULTS = HERE / "results" / "demo_panels.csv"
PICTURES = HERE.parent / "docs" / "pictures"
STRATEGIES = ("worst-spot-first", "centre-first", "bulk-then-fine", "rim-inwards", "alternating",
              "crown-first", "planner")
AT_MIN = (0, 30, 60, 90, 120)
COLUMNS = ("panel", "strategy", "matched", "rms_mm", "worst_mm", "steps", "minutes",
           *(f"low_mm_{at}" for at in AT_MIN), "low_mm_end", *(f"high_mm_{at}" for at in AT_MIN),
           "high_mm_end", *(f"improvement_pct_{at}" for at in AT_MIN), "improvement_pct", "stage",
           "stretch_mm2", "unbalanced_steps", "outcome")
MARKS = ("<!-- runs -->\n", "<!-- end of runs -->")
PAGE = HERE.parent / "docs" / "demo-panels.md"


def at_minutes(steps: tuple[StepRecord, ...], minutes: float) -> StepRecord:
    """The last step that was done within the minutes."""
    spent, last = 0.0, steps[0]
    for step in steps[1:]:
        spent += float(step.row.get("minutes") or 0.0)
        if spent > minutes:
            break
        last = step
    return last


def work_through(panel: str, start: Start, name: str, folder: Path) -> dict[str, str]:
    """One strategy on a panel to its end; the row of the table."""
    strategy = find_strategy(name, start.work.case)
    done = run_strategy(start, strategy, folder, lambda text: print("   ", text, flush=True))
    steps = read_run(folder).steps
    row = {"panel": panel, "strategy": name,
           "unbalanced_steps": str(sum("converge" in step.outcome for step in steps))}
    row |= {key: done[key] for key in ("matched", "rms_mm", "worst_mm", "steps", "minutes",
                                       "improvement_pct", "stage", "stretch_mm2", "outcome")}
    for at in AT_MIN:
        step = at_minutes(steps, at)
        row[f"low_mm_{at}"] = f"{step.max_low_mm:.2f}"
        row[f"high_mm_{at}"] = f"{step.max_high_mm:.2f}"
        row[f"improvement_pct_{at}"] = f"{step.number_of('improvement_pct'):.1f}"
    row |= {"low_mm_end": f"{steps[-1].max_low_mm:.2f}",
            "high_mm_end": f"{steps[-1].max_high_mm:.2f}"}
    return row


def stored() -> dict[tuple[str, str], dict[str, str]]:
    """Rows kept so far, by panel and strategy."""
    if not RESULTS.exists():
        return {}
    with open(RESULTS, newline="", encoding="utf-8") as file:
        return {(row["panel"], row["strategy"]): row for row in csv.DictReader(file)}


def copy_pictures(panel: str, out: Path) -> None:
    """The maps of the run that left least of the deepest low."""
    rows = [row for (of, _), row in stored().items() if of == panel]
    if not rows:
        return
    best = min(rows, key=lambda row: max(-float(row["low_mm_end"]), float(row["high_mm_end"])))
    files = {file.name: file for file in draw_run(out / panel / best["strategy"])}
    for name in ("match.png", "map.png", "progress.png"):
        if name in files:
            shutil.copy(files[name], PICTURES / f"{panel}-panel-{name}")
    print(panel, best["strategy"], sorted(files), flush=True)


def write_page() -> None:
    """The table of the page: what is left of the bulk over the minutes of work."""
    lines = ["| panel | strategy | low, high mm at the start | after 30 min | 60 | 90 | 120 | at "
             "the end | volume taken out % after 30, 60, 90, 120 min, at the end | steps, minutes "
             "| stage | ended by |", "|---|---|---|---|---|---|---|---|---|---|---|---|"]
    for r in stored().values():
        heights = [f"{r[f'low_mm_{at}']}, {r[f'high_mm_{at}']}" for at in (*AT_MIN, "end")]
        taken = [f"{float(r[f'improvement_pct_{at}']):.0f}" for at in AT_MIN[1:]]
        taken.append(f"{float(r['improvement_pct']):.0f}")
        lines.append(f"| {r['panel']} | `{r['strategy']}` | {' | '.join(heights)} | "
                     f"{', '.join(taken)} | {r['steps']}, {float(r['minutes']):.0f} "
                     f"| {r['stage'] or 'none'} | {r['outcome']} |")
    text = PAGE.read_text(encoding="utf-8")
    before, after = text.split(MARKS[0])[0], text.split(MARKS[1])[1]
    PAGE.write_text(before + MARKS[0] + "\n".join(lines) + "\n" + MARKS[1] + after,
                    encoding="utf-8")


def main() -> None:
    """Work both panels through, strategy by strategy."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--panels", nargs="*", default=["left", "right"])
    parser.add_argument("--strategies", nargs="*", default=list(STRATEGIES))
    parser.add_argument("--out", type=Path, default=Path("runs") / "demo-panels")
    parser.add_argument("--pictures", action="store_true")
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    if options.page:
        write_page()
        return
    for panel in options.panels:
        case = load_case(HERE.parent / "cases" / f"{panel}-panel")
        start = None
        for name in options.strategies:
            if (panel, name) in stored():
                continue
            if start is None:
                start = prepare(case, options.out / panel / "dent", 1, print, accept=True)
            row = work_through(panel, start, name, options.out / panel / name)
            kept = stored() | {(panel, name): row}
            write_table(RESULTS, COLUMNS, [kept[key] for key in sorted(kept)])
            print("   ", row, flush=True)
        if options.pictures:
            copy_pictures(panel, options.out)


if __name__ == "__main__":
    main()
