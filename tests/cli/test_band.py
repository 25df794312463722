"""`simkit run --band`: the repair repeated on every plausible history."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from small_case import TEXT

from simkit.cli.main import main
from simkit.study.doubt import springs

STRUCK = TEXT.replace(
    "history: {method: imprint, rounds: 10, match_mm: 0.03}",
    "history: {method: strike, rounds: 8, striker: {kind: ball, radius_min_mm: 8, "
    "radius_max_mm: 60}}").replace("steps: 3", "steps: 1").replace("fine_mm: 8", "fine_mm: 10")


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("band")
    (folder / "case.yaml").write_text(STRUCK, encoding="utf-8")
    main(["run", str(folder), "--strategy", "worst-spot-first", "--out", str(folder / "out"),
          "--threads", "1", "--band"])
    return folder / "out"


def test_the_band_holds_the_recorded_run(out: Path) -> None:
    with open(out / "band.csv", newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["step"] for row in rows] == ["0", "1"]
    assert rows[0]["springs"].startswith("0 of ")
    counts = [[int(part) for part in row["springs"].split(" of ")] for row in rows]
    assert all(some <= every and every == counts[0][1] > 1 for some, every in counts)
    for row in rows:
        for name in ("released_mm", "max_low_mm", "max_high_mm"):
            if row["step"] == "0" and name == "released_mm":
                continue
            low, value, high = (float(row[f"{name}{end}"]) for end in ("_from", "", "_to"))
            assert low <= value <= high
            assert low < high


def test_a_step_that_springs_in_some_histories_is_said() -> None:
    def row(outcome: str, snapped: bool) -> Any:
        return SimpleNamespace(outcome=outcome, snapped=snapped)

    assert springs([row("reached", False), row("would snap", False), row("reached", True)]) == 2
    assert springs([row("reached", False)]) == 0


def test_every_history_has_a_record(out: Path) -> None:
    notes = json.loads((out / "reconstruction.json").read_text("utf-8"))
    others = len(notes["plausible"]) - 1
    assert others >= 1
    assert len(list((out / "doubt").glob("*/steps.csv"))) == others


def test_given_again_it_reads_what_is_there(out: Path, capsys: pytest.CaptureFixture) -> None:
    before = (out / "band.csv").read_bytes()
    main(["run", str(out.parent), "--strategy", "worst-spot-first", "--out", str(out),
          "--threads", "1", "--band"])
    assert (out / "band.csv").read_bytes() == before
    assert "imprint round" not in capsys.readouterr().out
