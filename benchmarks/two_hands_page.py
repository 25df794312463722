"""Tables and picture of docs/hold-and-tap.md from results/hold_and_tap.csv,
results/crown_under_tension.csv and results/crown_sequences.csv.

Run: python benchmarks/two_hands_page.py
"""

from __future__ import annotations

import csv
from pathlib import Path

from simkit.show.style import GREY, STRATEGY_COLOURS, look, new_figure, save

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "hold-and-tap.md"
PICTURE = ROOT / "docs" / "pictures" / "hold-and-tap.png"
RESULTS = Path(__file__).parent / "results"
MARK = "<!-- {}: written by benchmarks/two_hands_page.py -->"
SEQUENCES = ("pull", "taps, pull", "pull, taps", "held, taps, let down")
RUNS = (("pull", ""), ("taps, pull", ""), ("held, taps, let down", "locked"),
        ("held, taps, let down", "springy"), ("held, taps, let down", "following"))
Rows = list[dict[str, str]]


def rows_of(name: str) -> Rows:
    """Rows of a stored table."""
    with (RESULTS / f"{name}.csv").open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def orders_table(rows: Rows) -> str:
    """Height of the centre after each order of work, mm; one line a dent, share and mesh."""
    lines = ["| dent | force, share of its limit | mesh mm | start | pull | taps, pull "
             "| pull, taps | held, taps, let down |", "|---|---|---|---|---|---|---|---|"]
    runs = {(r["dent"], r["share"], r["fine_mm"]) for r in rows}
    for dent, share, fine in sorted(runs, key=lambda run: (run[0], run[1], -float(run[2]))):
        own = {r["sequence"]: r for r in rows
               if (r["dent"], r["share"], r["fine_mm"]) == (dent, share, fine)}
        if set(own) != set(SEQUENCES):
            continue
        one = own["pull"]
        of = "of the limit" if one["limit_N"] else "of a usual pull"
        cells = [_height(own[name]) for name in SEQUENCES]
        lines.append(f"| {dent} | {float(one['force_N']):.0f} N, {share} {of} | {fine} | "
                     f"{float(one['start_mm']):.2f} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _height(row: dict[str, str]) -> str:
    text = f"{float(row['centre_mm']):.2f}"
    text = f"**{text}**" if row["snapped"] == "yes" else text
    return text if row["outcome"] == "done" else f"{text} ({row['outcome']})"


def ways_table(rows: Rows) -> str:
    """Centre and crown after each way to hold, mm; one line a dent."""
    lines = ["| dent | force N | start | pull | taps, pull | held: locked | springy | following |",
             "|---|---|---|---|---|---|---|---|"]
    for dent in sorted({r["dent"] for r in rows}):
        own = {(r["sequence"], r["hold"]): r for r in rows if r["dent"] == dent}
        if set(own) != set(RUNS):
            continue
        one = own["pull", ""]
        cells = [f"{_height(own[run])} / {float(own[run]['crown_mm']):.2f}" for run in RUNS]
        lines.append(f"| {dent} | {float(one['force_N']):.0f} | {float(one['start_mm']):.2f} / "
                     f"{float(one['start_crown_mm']):.2f} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


PEER_SEQUENCES = ("pull", "ring, pull", "held, ring", "locked, ring")


def peer_table(rows: Rows) -> str:
    """Centre with everything let go, mm, by CalculiX and by simkit's finest mesh."""
    lines = ["| bowl, force | | struck | pull | ring, pull | held, ring, let down "
             "| locked, ring, let down |", "|---|---|---|---|---|---|---|"]
    for bowl, force in dict.fromkeys((r["bowl"], r["force_N"]) for r in rows):
        own = [r for r in rows if (r["bowl"], r["force_N"]) == (bowl, force)]
        lines += [_peer_line(f"{bowl}, {force} N", code, own) for code in ("CalculiX", "simkit")]
    return "\n".join(lines)


def _peer_line(title: str, code: str, rows: Rows) -> str:
    rows = [r for r in rows if r["code"] == code]
    # the finest mesh that all sequences have; a code's finest rows come last
    meshes = [{r["mesh"] for r in rows if r["sequence"] == name} for name in PEER_SEQUENCES]
    common = set.intersection(*(own for own in meshes if own))
    mesh = next(r["mesh"] for r in reversed(rows) if r["mesh"] in common)
    cells, struck = [], ""
    for sequence in PEER_SEQUENCES:
        own = {r["stage"]: r for r in rows if (r["sequence"], r["mesh"]) == (sequence, mesh)}
        struck = own.get("struck", {}).get("centre_mm", struck)
        cell = f"{float(own['free']['centre_mm']):.2f}" if "free" in own else ""
        snapped = any(r["outcome"].startswith("snapped") for r in own.values())
        if "stopped" in own:
            cell = own["stopped"]["outcome"]
        cells.append(f"**{cell}**" if snapped else cell)
    return f"| {title} | {code} | {float(struck):.2f} | " + " | ".join(cells) + " |"


def draw(rows: Rows) -> None:
    """What is left of each dent, as a share of its depth, after each run."""
    whole = {(r["dent"], r["sequence"], r["hold"]): r for r in rows}
    dents = [dent for dent in sorted({r["dent"] for r in rows})
             if all((dent, *run) in whole for run in RUNS)]
    with look():
        figure = new_figure(9.0, 4.6)
        axes = figure.add_axes((0.09, 0.2, 0.88, 0.66))
        names = ("pull", "taps, then pull", "held locked, taps", "held springy, taps",
                 "held following, taps")
        colours = (GREY, *STRATEGY_COLOURS[:4])
        for k, (run, name, colour) in enumerate(zip(RUNS, names, colours, strict=True)):
            here = [whole[dent, *run] for dent in dents]
            left = [100.0 * float(r["centre_mm"]) / float(r["start_mm"]) for r in here]
            at = [place + 0.16 * (k - 2) for place in range(len(dents))]
            axes.bar(at, left, 0.15, color=colour, label=name)
        axes.set_xticks(range(len(dents)), [dent.replace("-", "\n") for dent in dents])
        axes.set_ylabel("depth left at the centre, %")
        axes.set_ylim(0.0, 118.0)
        axes.legend(ncols=3, loc="upper left")
        axes.set_title("Same force, same glue: what the order and the hold change")
        save(figure, PICTURE)


def main() -> None:
    """Renew the page's tables and the picture."""
    text = PAGE.read_text(encoding="utf-8")
    for name, table in (("orders", orders_table(rows_of("hold_and_tap"))),
                        ("ways", ways_table(rows_of("crown_under_tension"))),
                        ("peer", peer_table(rows_of("crown_sequences")))):
        head, mark, rest = text.partition(MARK.format(name))
        _, end, tail = rest.partition(f"<!-- end of {name} -->")
        text = f"{head}{mark}\n\n{table}\n\n{end}{tail}"
    PAGE.write_text(text, encoding="utf-8")
    draw(rows_of("crown_under_tension"))


if __name__ == "__main__":
    main()
