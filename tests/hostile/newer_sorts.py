"""More sorts of odd input: studies, the newer verbs, recorded runs; SORTS names them all."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path
from random import Random

import sorts
from campaign import ALLOWED, Sort, Tried, ask
from sorts import DAMAGES, GIVEN, SOUND, WORDS, spoiled

from simkit.cli.main import main

QUICK = """\
format: 1
title: Small bowl $\\alpha$
about: Invented for the tests.
panel: {length_x_mm: 120, length_y_mm: 100, thickness_mm: 0.8, grade: DC04}
mesh: {fine_mm: 20, coarse_mm: 40, layers: 3}
dent:
  shapes: [{kind: bowl, x_mm: 5, y_mm: -4, length_mm: 70, width_mm: 60, depth_mm: 1.0}]
history: {method: imprint, rounds: 2, match_mm: 0.5}
kit: {tabs: [round-25], tips: [ball-12]}
goal: {tolerance_mm: 0.15}
limits: {steps: 1}
strategies: [crown-first]
"""
"""A case that is repaired within seconds."""
STUDY = """\
format: 1
title: Thickness
about: Invented for the tests.
cases: [case.yaml]
vary:
  - {key: panel.thickness_mm, values: [0.7, 0.8]}
  - {key: goal.tolerance_mm, start: 0.1, stop: 0.2, count: 2}
sample: {method: sobol, count: 2, keys: [{key: mesh.fine_mm, low: 14, high: 15}]}
strategies: [crown-first]
programs:
  - {name: pull, operations: ["pull round-25 at 0,0 to -2", "tap ball-12 at 28,54"]}
replicates: 2
scatter: {noise_mm: 0.01, yield_pct: 3, place_mm: 2}
seed: 4
stage: fine
"""


def study(rng: Random, here: Path) -> Tried:
    """A study made odd, planned but not carried out; its case is sound."""
    text = STUDY
    for _ in range(rng.choice([0, 1, 1, 1, 2, 4])):
        change = rng.choice([*sorts.CHANGES[:7], _word])
        text = change(rng, text)
    data = text.encode("utf-8", "surrogatepass")
    if rng.random() < 0.15:
        data = spoiled(rng, data)
    (here / "case.yaml").write_text(QUICK)
    (here / "study.yaml").write_bytes(data)
    return ask("study", ["study", rng.choice(["study.yaml", "."]), "--dry-run",
                         *rng.choice([(), ("--json",), ("--workers", "3")])])


def _word(rng: Random, text: str) -> str:
    """An entry of a list, or a word of an operation, replaced by an odd one."""
    places = [i for i, c in enumerate(text) if c in "[,\" " and i + 1 < len(text)]
    at = rng.choice(places) + 1
    end = min(i for i in (text.find(c, at) for c in ",]} \n\"") if i >= 0)
    return text[:at] + rng.choice([*WORDS, *GIVEN[:7]]) + text[end:]


NEWER = {
    "try": ["--do", "--from", "--step", "--out", "--threads", "--json"],
    "promise": ["--minutes", "--runs", "--strategy", "--out", "--workers", "--json"],
    "live": ["--out", "--port", "--host", "--token", "--no-browser", "--threads"],
    "learn": ["--case", "--step", "--readings", "--advise", "--threads", "--json"],
    "ask": ["--quick", "--out", "--workers", "--json"],
    "table": ["--out", "--json"],
    "export": ["--out", "--step", "--exaggerate", "--json"],
    "report": ["--out", "--json"],
    "sheet": ["--out", "--json"],
    "tools": ["--catalogue", "--draw", "--json"],
    "study": ["--out", "--workers", "--scheduler", "--dry-run", "--yes", "--json"],
    "completion": ["--shell"],
}
SAID = ["pull round-25 at 1,2 to -1", "pull round-25 at 1e9,2", "pull", "pull x at 1,2", "tap at",
        "hold ball-12 at 0,0 by -1", "let-down x", "push ball-12 at nan,0", "pull round-25 at 0,0 "
        "to 9999", "tap ball-12 at " + "9" * 500 + ",0", "html", "stl", "npz", "bash", "round-25",
        "127.0.0.1", "0.0.0.0", "tcp://127.0.0.1:1", "tab-diameter", "case.yaml", "study.yaml",
        "out", "picture.png", "all.csv", "all.parquet", "made/up/all.csv"]


def newer(rng: Random, here: Path) -> Tried:
    """Newer verbs with options and values that make no sense; no case at hand can be run."""
    (here / "case.yaml").write_text(SOUND.replace("thickness_mm: 0.8", "thickness_mm: 80"))
    (here / "study.yaml").write_text(STUDY)
    verb = rng.choice(sorted(NEWER))
    argv = [verb]
    for _ in range(rng.randrange(1, 5)):
        argv.append(rng.choice([*NEWER[verb], *NEWER[verb], *SAID, *GIVEN]))
    if verb == "ask":  # else it would carry its study out
        argv = ["no-such-question" if word == "tab-diameter" else word for word in argv]
    return ask("newer", argv)


@cache
def recorded() -> Path:
    """A run that was really made, once for all that damage a copy of it."""
    root = Path(tempfile.mkdtemp(prefix="hostile-run-"))
    atexit.register(shutil.rmtree, root, ignore_errors=True)
    (root / "case.yaml").write_text(QUICK)
    code = main(["run", str(root), "--strategy", "crown-first", "--threads", "1", "--out",
                 str(root / "run")])
    assert code in {0, 1}, code
    shutil.rmtree(root / "run" / "pictures", ignore_errors=True)
    return root / "run"


def record(rng: Random, here: Path) -> Tried:
    """A recorded run that somebody has been at, given to a verb that reads runs."""
    store = here / "run"
    shutil.copytree(recorded(), store)
    for _ in range(rng.choice([0, 1, 1, 2])):
        files = sorted(p for p in store.rglob("*") if p.is_file() and not p.is_symlink()
                       and p.name != ".simkit")
        rng.choice(DAMAGES)(rng, rng.choice(files), here)
    out = str(here / rng.choice(["made", "made/deep", "made.x"]))
    argv = rng.choice([
        ["table", str(store), "--out", rng.choice([f"{out}.csv", f"{out}.parquet", out])],
        ["table", str(store)], ["table", str(store), "--json"],
        ["export", str(store), rng.choice(["csv", "npz", "stl", "ply", "html", "parquet"]),
         "--out", out],
        ["report", str(store), "--out", out], ["sheet", str(store), "--out", f"{out}.pdf"],
        ["learn", str(store), "--step", "1", "--readings", "none.csv"]])
    before = set(map(str, store.rglob("*")))
    tried = ask("record", argv)
    if not tried.fault and set(map(str, store.rglob("*"))) != before:
        return Tried("record", tried.argv, tried.code, tried.said, "the folder was changed")
    return tried


SORTS: dict[str, Sort] = {**sorts.SORTS, "study": study, "newer": newer, "record": record}
__all__ = ["ALLOWED", "SORTS"]
