"""What contradicts itself, is absurdly large or cannot be meant is named before it is computed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sorts import SOUND

from simkit.case.improbable import least_stiffness
from simkit.case.panel import Panel
from simkit.checks.size import MOST_ELEMENTS
from simkit.cli.main import main

HELD = "edges: {left: held, right: hinged, bottom: free, top: held}"


def said_by_check(folder: Path, changes: dict[str, str], capfd: pytest.CaptureFixture[str]) -> str:
    """What check says on standard errors; it must refuse, one line a fault."""
    text = SOUND
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "case.yaml").write_text(text)
    assert main(["check", str(folder)]) == 2
    said = capfd.readouterr().err
    assert all(line.startswith("error: ") for line in said.splitlines())
    return said


@pytest.mark.parametrize(("old", "new", "words"), [
    (HELD, "edges: {left: hinged, right: free, bottom: free, top: free}", "turning about a line"),
    (HELD, "edges: {left: free, right: free, bottom: free, top: free}", "nothing keeps the panel"),
    (HELD, "edges: {left: symmetric, right: free, bottom: symmetric, top: free}",
     "moving away along its normal"),
    (HELD, "edges: {left: {spring_N_per_mm2: 0.01}, right: free, bottom: free, top: {spring_N_per"
           "_mm2: 0.01}}", "barely held"),
    ("tolerance_mm: 0.1", "tolerance_mm: 0.01", "below the noise"),
    ("slope_mrad: 2.0", "slope_mrad: 0.5", "noise of 0.02 mm alone makes, 1 mrad"),
    ("slope_base_mm: 20", "slope_base_mm: 200", "wider than the panel"),
    ("noise_mm: 0.02", "noise_mm: 1.0", "below the noise"),
    ("[ball-12]", "[{name: needle, kind: ball, radius_mm: 1.0}]\n  # thin", ""),
    ("fine_mm: 6, coarse_mm: 20", "fine_mm: 0.25, coarse_mm: 0.25", "elements"),
])
def test_check_names_what_cannot_be_meant(old: str, new: str, words: str, tmp_path: Path,
                                          capfd: pytest.CaptureFixture[str]) -> None:
    if not words:
        return sharp_tip(tmp_path, capfd)
    assert words in said_by_check(tmp_path, {old: new}, capfd)


def sharp_tip(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    said = said_by_check(folder, {"thickness_mm: 0.8": "thickness_mm: 3.5",
                                  "[ball-12]": "[ball-3]"}, capfd)
    assert "below the thickness would cut the sheet" in said


def test_a_mesh_beyond_reason_is_refused_with_its_estimate(
        tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    said = said_by_check(tmp_path, {
        "length_x_mm: 300": "length_x_mm: 3000", "length_y_mm: 200": "length_y_mm: 3000",
        "fine_mm: 6, coarse_mm: 20": "fine_mm: 0.25, coarse_mm: 0.25"}, capfd)
    assert "about 144,0" in said
    assert "GB of memory" in said
    assert MOST_ELEMENTS < 144_000_000


@pytest.mark.parametrize(("edges", "stiffness"), [
    ({"left": "free", "right": "free", "bottom": "free", "top": "free"}, 0.0),
    # Springs k on all four edges against a turn about the line y = 0: the edges bottom and top give
    # k lx (ly/2)^2 each, left and right k ly^3 / 12 each; over the half diagonal squared.
    ({side: {"spring_N_per_mm2": 0.5} for side in ("left", "right", "bottom", "top")},
     0.5 * (2 * 300 * 100**2 + 2 * 200**3 / 12) / (150**2 + 100**2)),
])
def test_the_least_stiffness_is_that_of_a_rigid_plate(edges: dict, stiffness: float) -> None:
    panel = Panel(length_x_mm=300.0, length_y_mm=200.0, thickness_mm=0.8, grade="DC04",
                  edges=edges)
    assert least_stiffness(panel)[0] == pytest.approx(stiffness, rel=0.01, abs=1e-6)


@pytest.mark.parametrize("flag", ["--tolerance", "--thickness"])
@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "1e999"])
def test_not_a_number_passes_no_flag(flag: str, value: str, tmp_path: Path,
                                     capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "case.yaml").write_text(SOUND)
    assert main(["read", str(tmp_path), flag, value]) == 2
    assert capfd.readouterr().err.startswith("error: ")


def points(rows: list[str]) -> str:
    return "x_mm,y_mm,d_mm\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize(("text", "words"), [
    (points(["1,1,-0.1"] * 1_000_000), "1000000 readings"),
    (points(["1,1,-0.1"] * 50_000), "1 gauge points at different places"),
    (points([f"{i % 90},{i // 90},-0.1" for i in range(5000)]), "at most 2000"),
    (points(["1e300,1,-0.1"] * 9), "found 1e300"),
    (points(["1,1,-0.1" + "0" * 140_000] * 9), "letters"),
    (points(["1,1,-" + "9" * 5000] * 9), "within"),
    (points([f"{x},{y},{-0.1 - 0.5 * (x == y == 0)}" for x in (0, 0, 40) for y in (0, 0, 40)]
            + ["0,0,0.4"]), "differ by"),
])
def test_tables_beyond_reason_get_their_line(text: str, words: str, tmp_path: Path,
                                             capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "dent.csv").write_text(text)
    start, end = SOUND.index("  shapes:"), SOUND.index("  noise_mm")
    said = said_by_check(tmp_path, {SOUND[start:end]: "  points_csv: dent.csv\n"}, capfd)
    assert words in said
    assert said.count("\n") == 1


def test_a_hundred_creases_are_refused(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(1)
    (tmp_path / "dent.csv").write_text(points(
        [f"{x:.3f},{y:.3f},-0.5" for x, y in rng.uniform(-40, 40, (40, 2))]))
    start, end = SOUND.index("  shapes:"), SOUND.index("  noise_mm")
    crease = ("    - {kind: crease, line: [{x_mm: -30, y_mm: 1, d_mm: -1}, "
              "{x_mm: 30, y_mm: 2, d_mm: -1}]}\n")
    said = said_by_check(tmp_path, {
        SOUND[start:end]: "  points_csv: dent.csv\n  outlines:\n" + crease * 100}, capfd)
    assert "100 crease outlines" in said
