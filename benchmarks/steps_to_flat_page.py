"""Table, summary and figure of benchmarks/steps_to_flat.py for docs/steps-to-flat.md.

    python benchmarks/steps_to_flat_page.py [--table FILE]
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Mapping
from pathlib import Path
from statistics import median
from typing import Any

from steps_to_flat import BY_MINUTES, STOPPED

from simkit.show.style import GREY, STRATEGY_COLOURS, look, new_figure, place, save, title
from simkit.strategy import strategy_names

HERE = Path(__file__).resolve().parent
PAGE = HERE.parent / "docs" / "steps-to-flat.md"
FIGURE = HERE.parent / "docs" / "pictures" / "steps-to-flat.png"
SET = HERE.parent / "cases" / "set"
TABLE = HERE / "results" / "steps_to_flat.csv"
BEGIN = "<!-- written by benchmarks/steps_to_flat_page.py -->"
END = "<!-- end of what is written -->"
STRETCHED = ("free-edge", "crease-flat", "bowl-flat", "crease-aluminium", "bowl-aluminium")
"""Dents that stay stretched: area surplus 1.2 to 3.0 mm^2 (cases/set/make_set.py)."""
MINUTES = f"planner{BY_MINUTES}"
MARKS = ("o", "s", "^", "D", "v", "P", "X")
Rows = Mapping[tuple[str, str], Mapping[str, str]]


def read(table: Path, hand: str) -> dict[tuple[str, str], dict[str, str]]:
    """Rows by dent and strategy."""
    with open(table, newline="", encoding="utf-8") as file:
        return {(row["dent"], row["strategy"]): row for row in csv.DictReader(file)
                if row["hand"] == hand}


def number(row: Mapping[str, str] | None, key: str) -> float | None:
    """A number of a row, None where it is empty or the row is missing."""
    return float(row[key]) if row and row.get(key) else None


def best_fixed(rows: Rows, dent: str, key: str) -> float | None:
    """Least of the fixed strategies that were run on a dent and got there."""
    found = [value for (name, strategy), row in rows.items()
             if name == dent and strategy not in ("planner", MINUTES)
             and (value := number(row, key)) is not None]
    return min(found, default=None)


def dents() -> list[str]:
    """All dents of the set."""
    return sorted(folder.name for folder in SET.iterdir() if (folder / "case.yaml").exists())


def cell(row: Mapping[str, str] | None) -> str:
    """Steps to fine; a dash where it was not reached, nothing where it was not run."""
    return "" if row is None else row["steps_fine"] or "-"


def finished(rows: Rows) -> list[str]:
    """Markdown: a line for each repair that went to *finished*, or tried to."""
    lines = ["| dent | strategy | steps to fine | minutes | steps to finished | minutes "
             "| touches | slope, mrad | processor s | ended by |", "|---" * 10 + "|"]
    for (dent, name), row in sorted(rows.items()):
        if row["steps_fine"] and row["outcome"] != STOPPED:
            lines.append("| " + " | ".join(
                [dent, name] + [row[key] or "-" for key in (
                    "steps_fine", "minutes_fine", "steps_finished", "minutes_finished", "touches",
                    "slope_mrad", "cpu_s", "outcome")]) + " |")
    return lines


def by_minutes(rows: Rows) -> list[str]:
    """Markdown: the planner with the fewest minutes as its objective, against the others."""
    lines = ["| dent | fewest minutes of a fixed strategy | planner by steps | planner by minutes "
             "| its steps | over the fixed one |", "|---" * 6 + "|"]
    ratios = []
    for dent in dents():
        row, fixed = rows.get((dent, MINUTES)), best_fixed(rows, dent, "minutes_fine")
        own = number(row, "minutes_fine")
        if row is None:
            continue
        usual = number(rows.get((dent, "planner")), "minutes_fine")
        if own and fixed:
            ratios.append(own / fixed)
        cells = ["-" if value is None else f"{value:g}" for value in (fixed, usual, own)]
        share = f"{100.0 * own / fixed:.0f} %" if own and fixed else ""
        lines.append(f"| {dent} | " + " | ".join(cells)
                     + f" | {row['steps_fine'] or '-'} | {share} |")
    if ratios:
        lines.append(f"\nMedian {100 * median(ratios):.0f} %, of {len(ratios)} dents.")
    return lines


def per_dent(rows: Rows) -> list[str]:
    """Markdown: a line for each dent, a column for each strategy that was run."""
    names = [name for name in strategy_names() if any(s == name for _, s in rows)]
    lines = ["| dent | " + " | ".join(names) + " | planner / best fixed |",
             "|---" * (len(names) + 2) + "|"]
    for dent in dents():
        cells = [cell(rows.get((dent, name))) for name in names]
        planner = number(rows.get((dent, "planner")), "steps_fine")
        fixed = best_fixed(rows, dent, "steps_fine")
        ratio = f"{100.0 * planner / fixed:.0f} %" if planner and fixed else ""
        lines.append(f"| {dent} | " + " | ".join(cells) + f" | {ratio} |")
    return lines


def counts(rows: Rows) -> list[str]:
    """Markdown: how many dents each strategy was run on, and how far it came."""
    lines = ["| strategy | dents run | roughed | fine | finished | median steps to fine | "
             "median minutes to fine | processor s, median |", "|---" * 8 + "|"]
    for name in strategy_names():
        own = [row for (_, strategy), row in rows.items() if strategy == name]
        if not own:
            continue
        reached = [sum(bool(row[f"steps_{stage}"]) for row in own)
                   for stage in ("roughed", "fine", "finished")]
        steps = [v for row in own if (v := number(row, "steps_fine")) is not None]
        minutes = [v for row in own if (v := number(row, "minutes_fine")) is not None]
        spent = [v for row in own if (v := number(row, "cpu_s")) is not None]
        lines.append(
            f"| {name} | {len(own)} | " + " | ".join(map(str, reached)) + " | "
            + " | ".join(f"{median(part):g}" if part else "" for part in (steps, minutes, spent))
            + " |")
    return lines


def in_words(rows: Rows) -> list[str]:
    """Sentences on the planner against the best fixed strategy of each dent."""
    ratios = {key: [
        number(row, f"{key}_fine") / fixed  # type: ignore[operator]
        for (dent, strategy), row in rows.items() if strategy == "planner"
        and number(row, f"{key}_fine") is not None
        and (fixed := best_fixed(rows, dent, f"{key}_fine"))] for key in ("steps", "minutes")}
    lines = []
    if ratios["steps"]:
        lines.append(
            f"To *fine* the planner needs {100 * median(ratios['steps']):.0f} % of the steps and "
            f"{100 * median(ratios['minutes']):.0f} % of the minutes of the best fixed strategy "
            f"that was run, in the median of dents that both bring there "
            f"({len(ratios['steps'])} so far); more steps than it on "
            f"{sum(r > 1.0 for r in ratios['steps'])}.")
    for name in strategy_names():
        own = {dent: row for (dent, strategy), row in rows.items() if strategy == name}
        asked = [dent for dent in dents() if dent not in STRETCHED]
        got = sum(bool(own[dent]["steps_fine"]) for dent in asked if dent in own)
        if all(dent in own for dent in asked):
            done = sum(bool(own[dent]["steps_finished"]) for dent in asked)
            lines.append(f"`{name}` brings {got} of the {len(asked)} dents to *fine* that are not "
                         f"among the five above{f', {done} to *finished*' if done else ''}.")
    total = len(dents()) * len(strategy_names())
    ran = sum(strategy != MINUTES for _, strategy in rows)
    lines.append(f"{ran} of {total} repairs have been run.")
    return lines


def where_it_fails(rows: Rows) -> list[str]:
    """Markdown: every repair that did not reach *fine*, with what it left."""
    lines = ["| dent | strategy | steps | slope left, mrad | how it ended |", "|---" * 5 + "|"]
    lines += [f"| {dent} | {name} | {row['steps']} | {row['slope_mrad']} | {row['outcome']} |"
              for (dent, name), row in sorted(rows.items()) if not row["steps_fine"]]
    return lines if len(lines) > 2 else ["None."]


def figure(rows: Rows) -> Any:
    """A stripe for each dent, a mark for each strategy; open marks: not reached."""
    names = [name for name in strategy_names() if any(s == name for _, s in rows)]
    fig = new_figure(9.2, 9.4)
    title(fig, "Steps until a dent is fine (0.1 mm, 4 mrad)",
          f"{len(dents())} struck dents, invented; open marks: ended after so many steps without "
          "getting there")
    axes = place(fig, 2.05, 0.75, 4.8, 7.6)
    shown = dents()[::-1]
    for k, name in enumerate(names):
        own = name == "planner"
        colour = "#d55e00" if own else STRATEGY_COLOURS[0] if k == 0 else GREY
        for height, dent in enumerate(shown):
            row = rows.get((dent, name))
            if row is None or not row["steps"]:  # not run, or given up
                continue
            got = number(row, "steps_fine")
            at = got if got is not None else float(row["steps"] or 0)
            beside = height + 0.09 * (k - 0.5 * (len(names) - 1))
            axes.plot(at, beside, MARKS[k % len(MARKS)], color=colour, zorder=3 if own else 2,
                      markersize=9 if own else 6.5, markeredgewidth=1.4,
                      markerfacecolor=colour if got is not None else "white")
        axes.plot([], [], MARKS[k % len(MARKS)], color=colour, label=name)
    axes.set_yticks(range(len(shown)), shown)
    axes.set_xlim(left=0)
    axes.xaxis.get_major_locator().set_params(integer=True)
    axes.set_xlabel("steps")
    for height in range(0, len(shown), 2):
        axes.axhspan(height - 0.5, height + 0.5, color="#f3f3f3", zorder=0)
    axes.set_ylim(-0.5, len(shown) - 0.5)
    fig.legend(*axes.get_legend_handles_labels(), loc="center left", bbox_to_anchor=(0.76, 0.55))
    return fig


def body(table: Path) -> str:
    """What stands between the page's marks."""
    exact, shaky = read(table, "no"), read(table, "yes")
    parts = ["\n".join(in_words(exact)), "\n".join(counts(exact)),
             "## Steps to fine, dent by dent\n", "\n".join(per_dent(exact)),
             "A dash: not reached. Empty: not run."]
    if any(row["steps_finished"] for row in exact.values()):
        parts += ["## Steps to finished\n", "\n".join(finished(exact))]
    if any(strategy == MINUTES for _, strategy in exact):
        parts += ["## By minutes\n", "\n".join(by_minutes(exact))]
    parts += ["## Where it fails\n", "\n".join(where_it_fails(exact))]
    parts.append("## With a hand that is not exact\n")
    parts += (["\n".join(lines) for lines in (
        in_words(shaky), counts(shaky), per_dent(shaky))] if shaky else ["Not run yet."])
    return "\n\n".join(part.strip("\n") for part in parts)


def main() -> None:
    """Write page and figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--table", type=Path, default=TABLE)
    args = parser.parse_args()
    text = PAGE.read_text(encoding="utf-8") if PAGE.exists() else f"{BEGIN}\n{END}\n"
    head, _, rest = text.partition(BEGIN)
    _, _, tail = rest.partition(END)
    PAGE.write_text(f"{head}{BEGIN}\n\n{body(args.table)}\n\n{END}{tail}", encoding="utf-8")
    with look():
        save(figure(read(args.table, "no")), FIGURE)


if __name__ == "__main__":
    main()
