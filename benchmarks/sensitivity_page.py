"""Figure and table of benchmarks/sensitivity.py for docs/verification/sensitivity.md."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from simkit.show.style import GREY, STRATEGY_COLOURS, look, new_figure, place, save, title

DOCS = Path(__file__).resolve().parents[1] / "docs" / "verification"
PAGE, FIGURE = DOCS / "sensitivity.md", DOCS / "sensitivity.png"
BEGIN, END = "<!-- table: written by benchmarks/sensitivity.py -->", "<!-- end of table -->"
QUANTITIES = {"dent_mm": "dent depth", "crown_mm": "crown height",
              "tap_centre_mm": "rise of the middle by the tap",
              "pull_centre_mm": "rise of the middle by the pull"}
MARKS = ("o", "s", "^", "D")
NAMES = {"element_mm": "element size round the dent, mm", "layers": "layers",
         "blow_increment_mm": "largest increment of the blow, mm",
         "increment_mm": "largest increment of tap and pull, mm", "degree": "degree",
         "penalty_MPa_mm": "contact penalty at the start, MPa/mm"}


def errors(row: Any, finest: Any) -> dict[str, float]:
    """Difference of each quantity from the finest run, per cent of it."""
    return {key: 100.0 * (getattr(row, key) / getattr(finest, key) - 1.0) for key in QUANTITIES}


def worst(row: Any, finest: Any) -> float:
    """Largest of them, without sign."""
    return max(map(abs, errors(row, finest).values()))


def write_page(rows: Sequence[Any], base: Any, finest: Any, candidates: Sequence[Any],
               varied: Mapping[str, Sequence[float]]) -> None:
    """Draw the figure and put the table between the page's marks."""
    by_setting = {row.setting: row for row in rows}
    if finest not in by_setting or base not in by_setting:
        raise SystemExit("the stored table lacks the base or the finest run; run it anew")
    with look():
        save(figure(by_setting, base, finest, varied), FIGURE)
    text = PAGE.read_text(encoding="utf-8") if PAGE.exists() else f"{BEGIN}\n{END}\n"
    head, _, rest = text.partition(BEGIN)
    _, _, tail = rest.partition(END)
    body = table(by_setting, base, finest, candidates, varied)
    PAGE.write_text(f"{head}{BEGIN}\n\n{body}\n\n{END}{tail}", encoding="utf-8")


def table(rows: Mapping[Any, Any], base: Any, finest: Any, candidates: Sequence[Any],
          varied: Mapping[str, Sequence[float]]) -> str:
    """Markdown: the finest run in mm, then every other as differences in per cent."""
    end = rows[finest]
    lines = ["| run | dent | crown | tap: middle | pull: middle | energy error % | processor s |",
             "|---|---|---|---|---|---|---|"]
    values = " | ".join(f"{getattr(end, key):.3f} mm" for key in QUANTITIES)
    lines.append(f"| **finest**: {words(finest)} | {values} | {end.energy_pct:.2f} | "
                 f"{end.cpu_s:.0f} |")

    def add(name: str, setting: Any) -> None:
        row = rows[setting]
        parts = " | ".join(f"{v:+.1f} %" for v in errors(row, end).values())
        lines.append(f"| {name} | {parts} | {row.energy_pct:.2f} | {row.cpu_s:.1f} |")

    add(f"**base**: {words(base)}", base)
    for key, values_ in varied.items():
        for value in values_:
            setting = replace(base, **{key: value})
            if setting != base:
                add(f"base, {NAMES[key]} {value:g}", setting)
    for setting in candidates:
        add(words(setting), setting)
    return "\n".join(lines)


def words(setting: Any) -> str:
    """A setting in words."""
    return (f"{setting.element_mm:g} mm, degree {setting.degree}, {setting.layers} layers, "
            f"increments {setting.blow_increment_mm:g} and {setting.increment_mm:g} mm")


def figure(rows: Mapping[Any, Any], base: Any, finest: Any,
           varied: Mapping[str, Sequence[float]]) -> Any:
    """A panel for each setting but the penalty, and what accuracy costs."""
    fig = new_figure(12.6, 7.6)
    title(fig, "What mesh, layers, steps and degree do to a dent, a tap on its crown and a pull",
          "difference from the finest run, per cent; base: " + words(base))
    places = [(0.85 + 4.05 * k, y) for y in (4.0, 0.75) for k in range(3)]
    drawn = {name: values for name, values in varied.items() if name != "penalty_MPa_mm"}
    for (left, bottom), (name, values) in zip(places, drawn.items(), strict=False):
        axes = place(fig, left, bottom, 3.3, 2.25)
        runs = [rows[replace(base, **{name: value})] for value in values]
        for key, mark, colour in zip(QUANTITIES, MARKS, STRATEGY_COLOURS, strict=False):
            axes.plot(range(len(values)), [errors(run, rows[finest])[key] for run in runs],
                      marker=mark, color=colour, label=QUANTITIES[key])
        axes.axhline(0.0, color=GREY, linewidth=0.8)
        axes.set_xticks(range(len(values)), [f"{value:g}" for value in values])
        axes.set_xlabel(NAMES[name])
        axes.set_ylabel("difference, %")
        if name == "element_mm":
            fig.legend(*axes.get_legend_handles_labels(), loc="upper center", ncols=4,
                       bbox_to_anchor=(0.5, 0.905))
    axes = place(fig, *places[5], 3.3, 2.25)
    for setting, row in rows.items():
        if setting == finest:
            continue
        if setting.penalty_MPa_mm == base.penalty_MPa_mm:
            axes.plot(row.cpu_s, worst(row, rows[finest]), "o", color=STRATEGY_COLOURS[0])
    axes.plot(rows[base].cpu_s, worst(rows[base], rows[finest]), "o", color=STRATEGY_COLOURS[1])
    axes.annotate("base", (rows[base].cpu_s, worst(rows[base], rows[finest])),
                  textcoords="offset points", xytext=(-32, -11), color=STRATEGY_COLOURS[1])
    axes.set(xscale="log", yscale="log", xlabel="processor time of the sequence, s",
             ylabel="largest of the four, %")
    return fig
