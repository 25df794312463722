"""Study files: faults get a line each; combinations are those asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_study import write_study

from simkit.case import load_case, parse_setting, with_keys
from simkit.cli.main import main
from simkit.errors import InputError, InputErrors
from simkit.study.matrix import count_runs, plan_runs, variations
from simkit.study.scatter import noisy_table, scattered
from simkit.study.studyfile import Scatter, read_study

VARY = "vary:\n  - {key: panel.thickness_mm, values: [0.7, 0.8]}\n"


@pytest.mark.parametrize(("old", "new", "words"), [
    ("title:", "titel:", ["titel", "unknown key"]),
    ("values: [0.7, 0.8]", "values: [0.7], start: 1", ["both values and a range"]),
    ("values: [0.7, 0.8]", "start: 0.7, stop: 0.8", ["both values and a range"]),
    ("values: [0.7, 0.8]", "values: []", ["no values"]),
    ("cases: [small]", "cases: [nothing-*]", ["finds no case"]),
    ("cases: [small]", "cases: [nowhere]", ["nowhere"]),
    ("[centre-first, crown-first]", "[centre-fist]", ["centre-first"]),
    ("[centre-first, crown-first]", "[crown-first, crown-first]", ["named twice"]),
    ("strategies:", "replicates: 3\nstrategies:", ["without any scatter"]),
    ("panel.thickness_mm", "panel.thicknes_mm", ["thicknes_mm"]),
    ("values: [0.7, 0.8]", "values: [0.7, 99]", ["99", "thickness_mm"]),
    ("strategies:", "sample: {count: 3, method: sobol, keys: [{key: panel.flow_stress_pct, low: 90,"
     " high: 110}]}\nstrategies:", ["power of two"]),
    ("strategies:", "sample: {count: 4, keys: [{key: panel.thickness_mm, low: 0.9, high: 0.8}]}"
     "\nstrategies:", ["lower bound first", "varied twice"]),
    ("format: 1", "format: 2", ["format"]),
])
def test_faults_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str,
                          words: list[str]) -> None:
    file = write_study(tmp_path, old, new)
    assert main(["study", str(file), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert all(word in said for word in words)
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_every_combination_once(tmp_path: Path) -> None:
    file = write_study(tmp_path, "strategies:", "replicates: 3\nscatter: {yield_pct: 5}\n"
                       "strategies:")
    study = read_study(file)
    plans = plan_runs(study, tmp_path)
    assert len(plans) == count_runs(study, tmp_path) == 2 * 2 * 3
    keys = {(p.varied["panel.thickness_mm"], p.strategy, p.replicate) for p in plans}
    assert len(keys) == 12


def test_a_million_runs_are_refused_before_anything_is_built(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write_study(tmp_path, VARY, "sample: {count: 65536, method: sobol-indices, keys: "
                       "[{key: panel.flow_stress_pct, low: 90, high: 110}]}\n")
    assert main(["study", str(file), "--out", str(tmp_path / "out")]) == 2
    assert "393,216 runs" in capsys.readouterr().err


def test_latin_hypercube_has_one_point_in_each_slice(tmp_path: Path) -> None:
    # by its definition: McKay, Beckman and Conover 1979 (from memory)
    file = write_study(tmp_path, VARY, "sample: {count: 8, keys: "
                       "[{key: panel.flow_stress_pct, low: 80, high: 120}]}\n")
    study = read_study(file)
    values = np.array([point["panel.flow_stress_pct"] for point, _ in variations(study)])
    slices = np.sort(np.floor((values - 80.0) / 40.0 * 8).astype(int))
    assert slices.tolist() == list(range(8))


def test_settings_are_read_as_yaml_and_checked(tmp_path: Path) -> None:
    write_study(tmp_path)
    case = load_case(tmp_path / "small")
    key, value = parse_setting("kit.tabs=[round-20, round-30]")
    assert with_keys(case, {key: value}).kit.tabs == ("round-20", "round-30")
    assert with_keys(case, {"dent.blows[0].depth_mm": 0.4}).dent.blows[0].depth_mm == 0.4
    for text in ("panel.thickness_mm", "=3", "a=[1", "panel.thickness_mm=!!python/none"):
        with pytest.raises(InputError):
            parse_setting(text)
    for bad in ("kit.tabs[7]", "panel..x", "title.x", "[0]"):
        with pytest.raises(InputError):
            with_keys(case, {bad: 1})
    with pytest.raises(InputErrors, match="thickness_mm"):
        with_keys(case, {"panel.thickness_mm": "thin"})


def test_replicates_meet_the_same_draws_whatever_is_varied(tmp_path: Path) -> None:
    write_study(tmp_path)
    case = load_case(tmp_path / "small")
    thin = with_keys(case, {"panel.thickness_mm": 0.4})
    scatter = Scatter(thickness_pct=2.0)
    share = [scattered(c, scatter, 5, 3).panel.thickness_mm / c.panel.thickness_mm
             for c in (case, thin)]
    assert share[0] == pytest.approx(share[1], rel=1e-12)
    assert share[0] != 1.0


def test_noise_of_readings_has_the_spread_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "gauge.csv"
    file.write_text("x_mm,y_mm,d_mm\n" + "".join(f"{i},0,-1.0\n" for i in range(4000)))
    rows = noisy_table(file, 0.05, 1, 2).splitlines()[1:]
    depths = np.array([float(row.split(",")[2]) for row in rows])
    assert depths.mean() == pytest.approx(-1.0, abs=0.004)
    assert depths.std() == pytest.approx(0.05, rel=0.05)
    assert noisy_table(file, 0.05, 1, 2) != noisy_table(file, 0.05, 1, 3)


MEASURED = """\
format: 1
title: Measured
about: Invented for this test.
panel: {surface: flat, length_x_mm: 200, length_y_mm: 150, thickness_mm: 0.8, grade: DC04}
dent: {points_csv: gauge.csv, noise_mm: 0.03}
kit: {tabs: [round-25], tips: [ball-12], glue: standard-hot-melt}
goal: {slope_mrad: 8}
"""


def test_the_scatter_itself_may_be_varied(tmp_path: Path) -> None:
    (tmp_path / "case.yaml").write_text(MEASURED)
    (tmp_path / "gauge.csv").write_text("x_mm,y_mm,d_mm\n" + "".join(
        f"{x},{y},{-2.0 if x == y == 0 else 0.0}\n" for x in (-60, -30, 0, 30, 60)
        for y in (-40, -20, 0, 20, 40)))
    text = """\
format: 1
title: Noise
about: Invented for this test.
cases: [case.yaml]
vary: [{key: scatter.NAME, values: [0.0, 0.04]}]
strategies: [worst-spot-first]
replicates: 2
"""
    (tmp_path / "study.yaml").write_text(text.replace("NAME", "noise_mm"))
    plans = plan_runs(read_study(tmp_path / "study.yaml"), tmp_path)
    assert [plan.scatter.noise_mm for plan in plans] == [0.0, 0.0, 0.04, 0.04]
    # errors add as variances: 0.03 and 0.04 make 0.05
    assert [scattered(plan.case, plan.scatter, 0, plan.replicate).dent.noise_mm
            for plan in plans] == pytest.approx([0.03, 0.03, 0.05, 0.05])
    (tmp_path / "study.yaml").write_text(text.replace("NAME", "noise"))
    with pytest.raises(InputError, match=r"scatter\.noise"):
        plan_runs(read_study(tmp_path / "study.yaml"), tmp_path)
    (tmp_path / "study.yaml").write_text(text.replace("NAME", "noise_mm").replace("0.04", "-1.0"))
    with pytest.raises(InputError, match="greater than or equal to 0"):
        plan_runs(read_study(tmp_path / "study.yaml"), tmp_path)
