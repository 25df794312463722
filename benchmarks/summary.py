"""One page of all that the benchmarks have stored, beside what was aimed at.

Run: python benchmarks/summary.py             prints the page
     python benchmarks/summary.py --write     writes docs/performance/measured.md, and the tables
                                              between <!-- NAME --> and <!-- end --> of the other
                                              pages there

Every `--store` of a benchmark writes the pages too. Reads results/*.json and computes nothing but
ratios. What was not stored is said to be missing.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).parent / "results"
DOCS = Path(__file__).parents[1] / "docs" / "performance"
HEAD = """# Measured

Made by `python benchmarks/summary.py --write` from the results that the benchmarks stored
(`--store`); do not edit. Processor seconds (cpu) can be compared on a busy
machine, seconds by the clock (wall) only on an idle one; the load average before each run is given.
"""
MISSING = "not stored"


def stored(name: str) -> dict[str, Any]:
    """Entries of results/NAME.json; none if it is not there."""
    file = RESULTS / f"{name}.json"
    return json.loads(file.read_text()) if file.exists() else {}


def rows(head: Iterable[str], lines: Iterable[Iterable[Any]]) -> str:
    """A table in Markdown."""
    head = list(head)
    text = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    text += ["| " + " | ".join(str(cell) for cell in line) + " |" for line in lines]
    return "\n".join(text)


def number(value: float | None, form: str = ".2f") -> str:
    """A number as text, or a dash."""
    return "-" if value is None else format(value, form)


def met(value: bool | None) -> str:
    """Whether an aim is met."""
    return {True: "yes", False: "no", None: "-"}[value]


def newest(name: str, start: str) -> dict[str, Any] | None:
    """The entry whose key begins so; None if there is none."""
    return next((entry for key, entry in stored(name).items() if key.startswith(start)), None)


AIMS = (
    ("one pull, 64 x 64", "one_pull", "pull 64, multifrontal, 2", 0.5),
    ("one pull, 64 x 64, one thread", "one_pull", "pull 64, multifrontal, 1", 0.5),
    ("one tap, 64 x 64", "one_pull", "tap-down 64, multifrontal, 2", 0.4),
    ("one tap, 64 x 64, one thread", "one_pull", "tap-down 64, multifrontal, 1", 0.4),
    ("reconstruction of the first dent", "reconstruction", "first-dent, 2", 20.0),
    ("reconstruction, one thread", "reconstruction", "first-dent, 1", 20.0),
    ("repair of 30 steps", "repair", "crown-first, 30 steps, 2", 20.0),
    ("repair of 30 steps, one thread", "repair", "crown-first, 30 steps, 1", 20.0),
    ("three strategies, end to end", "three_strategies", "first-dent", 60.0),
    ("`simkit --version`", "start_up", "start", 0.3),
)
"""Operation, file, key, most seconds by the clock."""


def operations() -> str:
    """Operations against their aims."""
    lines = []
    for word, name, key, aim in AIMS:
        entry = newest(name, key)
        if entry is None:
            lines.append([word, f"{aim:g}", MISSING, "", "", "", "", ""])
            continue
        on = entry["measured_on"]
        lines.append([word, f"{aim:g}", number(entry["median_s"]), number(entry.get("cpu_s")),
                      entry["iterations"], met(entry["median_s"] <= aim), met(entry["answer_ok"]),
                      f"{on['commit']}, load {on['load_average']:g}"])
    return rows(["operation", "aim, wall s", "wall s", "cpu s", "iterations", "aim met",
                 "answer right", "version, load"], lines)


def profile() -> str:
    """Where the time of each operation goes."""
    lines = []
    for word, name, key, _ in AIMS:
        entry = newest(name, key)
        if entry is None or name == "start_up":
            continue
        parts = sorted(entry["shares"].items(), key=lambda item: -item[1])
        lines.append([word, ", ".join(f"{part} {100 * share:.0f} %" for part, share in parts)])
    return rows(["operation", "shares of the time"], lines) if lines else MISSING


def sizes() -> str:
    """Growth with the mesh."""
    entry = newest("sizes", "pull")
    if entry is None:
        return MISSING
    lines = [[row["elements"], row["equations"], row["threads"], number(row["median_s"]),
              number(row["cpu_s"]), row["iterations"], number(row["cpu_ms_per_iteration"], ".1f"),
              number(row["peak_MiB"], ".0f"), number(row["answer"]["change_mm"], ".4f")]
             for row in entry["runs"]]
    parts = ", ".join(f"{part} {value:.2f}" for part, value in
                      entry["exponents_of_parts"].items() if value is not None)
    gaps = ", ".join(f"{n}: {gap:.0e}" for n, gap in entry["threads_apart"].items())
    return rows(["elements a side", "equations", "threads", "wall s", "cpu s", "iterations",
                 "cpu ms an iteration", "peak MiB", "rise of the middle, mm"], lines) + (
        f"\n\nProcessor time an iteration on one thread grows with equations^"
        f"{number(entry['exponent'])} from 64 elements a side (aim: at most 1.3); parts: {parts}. "
        f"Panels left by one and two threads differ, over the largest displacement, by {gaps} "
        f"(limit 1e-9). Answer right: {met(entry['answer_ok'])}. "
        f"Version {entry['measured_on']['commit']}, load {entry['measured_on']['load_average']}.")


def versions() -> str:
    """Against the version at the start."""
    lines = []
    for entry in stored("against_start").values():
        for name, row in entry["operations"].items():
            gaps = ", ".join(f"{key} {value:+.2g}" for key, value in row["differences"].items())
            lines.append([name, entry["threads"], number(row["start"]["cpu_s"]),
                          number(row["now"]["cpu_s"]), number(row["ratio_cpu"], ".1f"),
                          number(row["ratio_wall"], ".1f"), gaps, met(row["answer_ok"]),
                          entry["measured_on"]["commit"]])
    return rows(["operation", "threads", "start, cpu s", "now, cpu s", "ratio of cpu",
                 "ratio of wall", "answers differ (now - start)", "answer right", "version"],
                lines) if lines else MISSING


def peer() -> str:
    """Against CalculiX."""
    lines = []
    for key, entry in stored("against_calculix").items():
        for row in entry["levels"]:
            lines.append([key, f"{row['within_pct']:g} %", row["simkit"],
                          number(row["simkit_cpu_s"]), number(row["simkit_error_pct"]),
                          row["ccx"], number(row["ccx_cpu_s"]), number(row["ccx_error_pct"]),
                          number(row["cpu_ratio"], ".0f"), entry["measured_on"]["commit"]])
    return rows(["runs", "within", "simkit", "cpu s", "error %", "CalculiX", "cpu s", "error %",
                 "times faster", "version"], lines) if lines else MISSING


def start() -> str:
    """Start-up, imports, compile time."""
    entry = newest("start_up", "start")
    if entry is None:
        return MISSING
    lines = [[name, number(row["wall_s"]), number(row["cpu_s"]), number(row["peak_MiB"], ".0f")]
             for name, row in entry["processes"].items()]
    kernels = [[f"`{name}`", number(own), f"{times:.0f}"]
               for name, (own, times) in list(entry["kernels"].items())[:12]]
    return (rows(["process", "wall s", "cpu s", "peak MiB"], lines)
            + f"\n\nCompile time of a first pull: {entry['compile_cpu_s']:.1f} s of the processor, "
            f"of {len(entry['kernels'])} functions. The largest, without what they call:\n\n"
            + rows(["kernel", "s", "compiled"], kernels))


def kernels() -> str:
    """Work, traffic and speed of the kernels."""
    entry = newest("roofline", "64")
    if entry is None:
        return MISSING
    peak, stream = entry["peak_gflops"], entry["stream_gbytes"]
    lines = []
    for row in entry["kernels"]:
        speed = row["flops"] / row["seconds"] / 1e9
        roof = min(peak, row["flops"] / row["bytes"] * stream)
        lines.append([row["name"], number(row["calls"]), number(row["flops"] / 1e6, ".1f"),
                      number(row["bytes"] / 1e6, ".1f"), number(row["flops"] / row["bytes"]),
                      number(1e3 * row["seconds"]),
                      number(row["in_pull"] and 1e3 * row["in_pull"]), number(speed, ".1f"),
                      number(row["bytes"] / row["seconds"] / 1e9, ".1f"),
                      f"{100 * speed / peak:.0f} %", f"{100 * speed / roof:.0f} %"])
    return rows(["kernel", "calls an iteration", "Mflop a call", "MB a call", "flop/byte",
                 "ms a call alone", "in the pull", "GFlop/s", "GB/s", "of the peak",
                 "of its roof"], lines) + (
        f"\n\nPeak {peak:.0f} GFlop/s, memory {stream:.0f} GB/s, one thread; version "
        f"{entry['measured_on']['commit']}.")


def machine() -> str:
    """What all this was measured on, by the newest entries."""
    kinds = {(on["processor"], on["cores"], on["python"], on["numpy"], on["scipy"], on["numba"],
              on["blas_kernels"])
             for file in sorted(RESULTS.glob("*.json"))
             for entry in json.loads(file.read_text()).values()
             if isinstance(entry, dict) and (on := entry.get("measured_on"))}
    return "\n".join(f"- {p}, {c} cores that may be used; Python {py}, numpy {n}, scipy {s}, numba "
                     f"{nb}; OpenBLAS kernels {blas}" for p, c, py, n, s, nb, blas in
                     sorted(kinds)) or MISSING


SECTIONS = (("Operations", operations), ("Where the time goes", profile),
            ("Growth with the mesh", sizes), ("Against the version at the start", versions),
            ("Against CalculiX", peer), ("Kernels under their roofs", kernels),
            ("Start-up", start), ("Measured on", machine))


def page() -> str:
    """The whole page."""
    return HEAD + "".join(f"\n## {title}\n\n{part()}\n" for title, part in SECTIONS)


BLOCK = re.compile(r"(<!-- (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def filled(text: str) -> str:
    """A page with its tables made anew."""
    parts = {part.__name__: part for _, part in SECTIONS}
    return BLOCK.sub(lambda hit: hit[1] + "\n" + parts[hit[2]]() + "\n\n" + hit[3], text)


def pages() -> dict[Path, str]:
    """Every page of docs/performance as the stored results want it."""
    found = {file: filled(file.read_text(encoding="utf-8")) for file in sorted(DOCS.glob("*.md"))}
    return found | {DOCS / "measured.md": page()}


def write() -> None:
    """Renew every page."""
    for file, text in pages().items():
        file.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    if sys.argv[1:] == ["--write"]:
        write()
    else:
        print(page(), end="")
