"""`simkit learn`: a run whose histories are weighed by readings after a step.

Truth: OWN, one of the histories itself gives the readings; what is tested is that it is found.
"""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline

from simkit.case.vary import with_keys
from simkit.checks.deeper import check_case
from simkit.cli.main import main
from simkit.errors import InputError
from simkit.history.calibrated import rooms
from simkit.history.plausible import Plausible
from simkit.history.reconstruct import Reconstruction
from simkit.history.strike import Blow
from simkit.history.trials import Trial
from simkit.repair.operations import Operation
from simkit.strategy import find_strategy
from simkit.study.ensemble import Ensemble, open_histories
from simkit.study.learn import histories_of
from simkit.study.rehearsal import rehearse
from simkit.study.renewed import at_dent
from simkit.study.run import prepare

CASE = {"format": 1, "title": "Struck", "about": "Invented for the tests.",
        "panel": {"surface": "curved", "radius_x_mm": 900, "radius_y_mm": 600, "length_x_mm": 200,
                  "length_y_mm": 160, "thickness_mm": 0.8, "grade": "DC04"},
        "mesh": {"fine_mm": 9, "coarse_mm": 20, "layers": 3},
        "dent": {"shapes": [{"kind": "bowl", "x_mm": 5, "y_mm": -4, "length_mm": 60,
                             "width_mm": 50, "depth_mm": 1.2, "crown_mm": 0.15}]},
        "history": {"method": "strike", "rounds": 12,
                    "striker": {"kind": "ball", "radius_min_mm": 8, "radius_max_mm": 60}},
        "kit": {"tabs": ["round-25"], "tips": ["ball-12"], "glue": "standard-hot-melt"},
        "limits": {"steps": 2}, "strategies": ["crown-first"]}
PLACES = ((5.0, -4.0), (20.0, -4.0), (5.0, 15.0), (-12.0, -4.0), (40.0, 10.0))


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("learn")
    (folder / "case.yaml").write_text(json.dumps(CASE), encoding="utf-8")
    code = main(["run", str(folder), "--strategy", "crown-first", "--out", str(folder / "out"),
                 "--threads", "1", "--band"])
    assert code in (0, 1)
    assert (folder / "out" / "doubt" / "1" / "fields" / "0001.npz").exists()
    return folder / "out"


def readings(run: Path, of: str, file: Path, change=lambda d: d) -> Path:
    with np.load(run / of / "fields" / "0001.npz") as data:
        spline = RectBivariateSpline(data["x_mm"], data["y_mm"], data["d_mm"].T, s=0)
    d = change(np.array([float(spline(x, y)[0, 0]) for x, y in PLACES]))
    rows = "".join(f"{x},{y},{value:.4f}\n" for (x, y), value in zip(PLACES, d, strict=True))
    file.write_text("x_mm,y_mm,d_mm\n" + rows, encoding="utf-8")
    return file


def learned(run: Path, file: Path) -> int:
    return main(["learn", str(run), "--step", "1", "--readings", str(file), "--threads", "1"])


def test_the_history_that_gave_the_readings_gains(run: Path, tmp_path: Path) -> None:
    assert learned(run, readings(run, "doubt/1", tmp_path / "after.csv")) == 0
    told = json.loads((run / "learned.json").read_text())["histories"]
    assert sum(one["after"] for one in told) == pytest.approx(1.0)
    assert told[1]["after"] / told[1]["before"] == max(one["after"] / one["before"]
                                                       for one in told)
    with open(run / "learned.csv", newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["step"] for row in rows] == ["0", "1", "2"]
    # Without other sheets the strength of the step that was read says nothing of a later one.
    start = prepare(check_case(str(run.parent)), run, 1, lambda text: None)
    lows = [one.session.now.row.low_rise_mm for one in histories_of(start, run, lambda text: None)]
    assert any(abs(one["strength"] - 1.0) > 1e-3 for one in told)
    assert float(rows[2]["low_rise_mm_learned"]) == pytest.approx(
        np.dot(lows, [one["after"] for one in told]), rel=1e-4)


def test_a_slip_is_named_by_its_line(run: Path, tmp_path: Path, capsys) -> None:
    def slip(d):
        d[2] -= 1.0
        return d

    assert learned(run, readings(run, ".", tmp_path / "slip.csv", slip)) == 0
    assert "line 4" in capsys.readouterr().out
    assert json.loads((run / "learned.json").read_text())["slips"] == [4]


def test_another_panels_file_is_refused(run: Path, tmp_path: Path, capsys) -> None:
    file = readings(run, ".", tmp_path / "other.csv", lambda d: d[::-1] + 0.8)
    before = (run / "learned.json").read_bytes() if (run / "learned.json").exists() else b""
    assert learned(run, file) == 2
    assert "not of this panel" in capsys.readouterr().err
    assert ((run / "learned.json").read_bytes() if before else b"") == before


def both(run: Path, of: str, file: Path, offset: float = 0.0, before_of: str = "") -> Path:
    """Readings at the same places before and after step 1, on one history or on two."""
    rows = []
    for folder, step in ((before_of or of, 0), (of, 1)):
        with np.load(run / folder / "fields" / f"{step:04d}.npz") as data:
            spline = RectBivariateSpline(data["x_mm"], data["y_mm"], data["d_mm"].T, s=0)
        rows.append([float(spline(x, y)[0, 0]) + offset for x, y in PLACES])
    text = "".join(f"{x},{y},{b:.5f},{d:.5f}\n" for (x, y), b, d in zip(PLACES, *rows, strict=True))
    file.write_text("x_mm,y_mm,before_mm,d_mm\n" + text, encoding="utf-8")
    return file


def weights_after(run: Path) -> list[float]:
    told = json.loads((run / "learned.json").read_text())["histories"]
    return [one["after"] for one in told]


def test_read_before_and_after_only_the_change_counts(run: Path, tmp_path: Path) -> None:
    """The step is as strong as foretold on the history that gave the change, and an offset of the
    gauge changes nothing."""
    found = []
    for offset in (0.0, 0.03):
        assert main(["learn", str(run), "--step", "1", "--threads", "1", "--noise-mm", "0.002",
                     "--readings", str(both(run, "doubt/1", tmp_path / "both.csv", offset))]) == 0
        found.append(weights_after(run))
    told = json.loads((run / "learned.json").read_text())["histories"]
    assert told[1]["strength"] == pytest.approx(1.0, abs=0.01)
    assert found[1] == pytest.approx(found[0], abs=1e-3)


def test_readings_of_another_panel_before_the_step_are_refused(run: Path, tmp_path: Path, capsys
                                                                ) -> None:
    file = both(run, ".", tmp_path / "both.csv", 0.6)
    assert main(["learn", str(run), "--step", "1", "--readings", str(file)]) == 2
    said = capsys.readouterr().err
    assert "before step 1" in said
    assert "before_mm" in said
    file.write_text(file.read_text().replace("before_mm", "befor_mm"), encoding="utf-8")
    assert main(["learn", str(run), "--step", "1", "--readings", str(file)]) == 2


def test_advice_names_a_tap_and_five_places(run: Path, capsys) -> None:
    assert main(["learn", str(run), "--advise", "--threads", "1", "--json"]) == 0
    advice = json.loads(capsys.readouterr().out)["advice"]
    assert advice
    assert all(len(one["places"]) == 5 and one["minutes"] > 0.0 for one in advice)
    told = [one["certainty"] for one in advice]
    assert told == sorted(told, reverse=True)


def test_a_step_that_was_not_done_is_refused(run: Path, tmp_path: Path, capsys) -> None:
    file = readings(run, ".", tmp_path / "after.csv")
    assert main(["learn", str(run), "--step", "7", "--readings", str(file)]) == 2
    assert "step 7" in capsys.readouterr().err
    other = tmp_path / "run"
    shutil.copytree(run, other)
    (other / "reconstruction.json").unlink()
    assert main(["learn", str(other), "--step", "1", "--readings", str(file)]) == 2


def test_observed_in_python_weighs_as_the_command_does(run: Path, tmp_path: Path) -> None:
    file = readings(run, "doubt/1", tmp_path / "after.csv")
    assert learned(run, file) == 0
    told = json.loads((run / "learned.json").read_text())["histories"]
    start = prepare(check_case(str(run.parent)), run, 1, lambda text: None)
    histories = histories_of(start, run, lambda text: None)
    before = Ensemble(histories, (1.0,) * len(histories))
    table = np.loadtxt(file, delimiter=",", skiprows=1)
    after = before.observe(table, step=1)
    assert [one.weight for one in after.histories] == pytest.approx(
        [one["after"] for one in told], abs=1e-9)
    assert after.strength == pytest.approx([one["strength"] for one in told])
    tap = Operation("tap-down", "ball-12", 38.0, -4.0, 0.02)
    changes = [one.session.apply(tap).now.row.low_rise_mm for one in after.histories]
    assert after.foretell(tap)["low_rise_mm"].predicted_mm == pytest.approx(
        np.dot(changes, [one.weight for one in after.histories]))
    with pytest.raises(InputError, match="not of this panel"):
        before.observe(table + [0.0, 0.0, 0.8] * np.array([[1], [-1], [1], [-1], [1]]))


def test_plan_do_measure_correct(run: Path) -> None:
    """The hand misses the height asked for; readings bring the foretold height of the middle
    nearer to the true one (here that of history 1)."""
    start = prepare(check_case(str(run.parent)), run, 1, lambda text: None)
    histories = histories_of(start, run, lambda text: None)
    ensemble = Ensemble(histories, (1.0,) * len(histories))
    truth = histories[1].session
    asked = Operation("pull", "round-25", 5.0, -4.0, 0.6 * truth.now.row.max_low_mm)
    told = ensemble.foretell(asked)
    for name in ("max_low_mm", "low_rise_mm"):
        assert told[name].low_mm <= told[name].predicted_mm <= told[name].high_mm
    real = truth.apply(replace(asked, goal_mm=asked.goal_mm - 0.05))  # a hand that errs
    done = ensemble.apply(replace(asked, goal_mm=real.now.row.released_mm))
    spline = RectBivariateSpline(real.now.field.x_mm, real.now.field.y_mm, real.now.field.d_mm.T)
    table = [(x, y, float(spline(x, y)[0, 0])) for x, y in PLACES]
    after = done.observe(table, 0.02)
    assert after.histories[1].weight >= done.histories[1].weight
    assert len(after.likeliest.steps) == len(truth.steps) + 1
    assert after.foretell(replace(asked, goal_mm=0.5 * asked.goal_mm))["max_low_mm"].low_mm < 0.0


def test_histories_are_opened_in_other_sheets_too(run: Path) -> None:
    start = prepare(check_case(str(run.parent)), run, 1, lambda text: None)
    notes = json.loads((run / "reconstruction.json").read_text())
    kept = tuple(
        Plausible(Trial(tuple(Blow(**blow) for blow in one["blows"]), np.zeros(0), one["rms_mm"]),
                  one["weight"]) for one in notes["plausible"][:2])
    done = Reconstruction(start.session.state, "strike", blows=kept[0].trial.blows, plausible=kept)
    ensemble = open_histories(start.work, done)
    assert sum(one.weight for one in ensemble.histories) == pytest.approx(1.0)
    panels = [one.work.case.panel for one in ensemble.sheets]
    assert [panels[0].flow_stress_pct, panels[1].thickness_mm] == pytest.approx([108.0, 0.84])
    depth = [one.now.row.max_low_mm for one in ensemble.sheets]
    assert depth == pytest.approx([start.session.now.row.max_low_mm] * 2, abs=0.08)
    tap = Operation("tap-down", "ball-12", 38.0, -4.0, 0.02)
    after = ensemble.apply(tap)
    read = [(x, y, float(d)) for (x, y), d in zip(PLACES, field_at(after, PLACES), strict=True)]
    assert len(after.observe(read).sheet[0]) == 2


def test_the_plan_is_renewed_on_the_history_that_gained(run: Path, tmp_path: Path, capsys) -> None:
    """The renewed run has the learned history's dent and the steps done, goes on from there, can
    be learned from in its turn, and is not taken for the plan after other readings."""
    file = readings(run, "doubt/1", tmp_path / "after.csv")
    out = tmp_path / "renewed"
    ask = ["learn", str(run), "--step", "1", "--readings", str(file), "--threads", "1",
           "--then", "centre-first", "--out", str(out)]
    assert main([*ask, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["folder"] == str(out)
    with open(run / "steps.csv", newline="", encoding="utf-8") as stream:
        done = list(csv.DictReader(stream))
    with open(out / "steps.csv", newline="", encoding="utf-8") as stream:
        renewed = list(csv.DictReader(stream))
    assert [row["said"] for row in renewed[:2]] == [row["said"] for row in done[:2]]
    assert len(renewed) == 3
    histories = json.loads((run / "learned.json").read_text())["histories"]
    likeliest = max(range(len(histories)), key=lambda k: histories[k]["after"])
    source = run if likeliest == 0 else run / "doubt" / str(likeliest)
    for step in (0, 1):  # the same panel as that history carried through the same steps
        fields = [np.load(folder / "fields" / f"{step:04d}.npz")["d_mm"]
                  for folder in (out, source)]
        np.testing.assert_allclose(*fields, atol=1e-6)
    notes = json.loads((out / "reconstruction.json").read_text())["plausible"]
    assert notes[0]["weight"] == pytest.approx(histories[likeliest]["after"])
    assert sorted(one["weight"] for one in notes) == pytest.approx(
        sorted(one["after"] for one in histories))
    assert main(["learn", str(out), "--step", "1", "--readings", str(file), "--threads", "1"]) == 0
    again = json.loads((out / "learned.json").read_text())["histories"]
    assert [one["before"] for one in again] == pytest.approx([one["weight"] for one in notes])
    file = readings(run, ".", tmp_path / "other.csv")
    ask[ask.index("--readings") + 1] = str(file)
    assert main(ask) == 2
    assert "--fresh" in capsys.readouterr().err


def test_the_run_that_is_read_is_never_cleared(run: Path, tmp_path: Path, capsys) -> None:
    file = readings(run, ".", tmp_path / "after.csv")
    for out in (run, run.parent):
        assert main(["learn", str(run), "--step", "1", "--readings", str(file), "--then",
                     "centre-first", "--out", str(out), "--fresh"]) == 2
        assert "holds the run that is read" in capsys.readouterr().err
    assert (run / "steps.csv").exists()
    assert main(["learn", str(run), "--step", "1", "--readings", str(file), "--noise-mm", "nan"]
                ) == 2


@pytest.mark.parametrize("more", [["--out", "x"], ["--then", "centre-first"], ["--band"]])
def test_a_plan_without_readings_is_refused(run: Path, more: list[str], capsys) -> None:
    assert main(["learn", str(run), "--advise", *more]) == 2
    assert "only after readings" in capsys.readouterr().err


def test_a_repair_is_rehearsed_with_readings_and_without(run: Path, capsys) -> None:
    """Only with readings do the weights change; what the true history alone foretells happens."""
    ask = ["learn", str(run), "--rehearse", "centre-first", "--as", "1", "--threads", "1"]
    assert main([*ask, "--noise-mm", "0.005", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["rehearsed"]
    with open(told["table"], newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    read, unread = ([row for row in rows if row["readings"] == one] for one in ("yes", "no"))
    assert len(read) == 2  # the case's limit of steps
    assert len({row["weight_of_the_true"] for row in unread}) == 1
    assert len({row["weight_of_the_true"] for row in read}) == 2
    assert Path(told["picture"]).stat().st_size > 1000
    assert told["lines"][0].startswith("with readings: 2 steps")
    assert ["for the same steps without them" in line for line in told["lines"]] == [True, False]
    for wrong in (["--as", "2"], ["--rehearse", "centre-first", "--as", "99"],
                  ["--rehearse", "centre-firts"]):
        assert main(["learn", str(run), *wrong]) == 2


def test_a_rehearsal_on_the_only_history_goes_as_foretold(run: Path) -> None:
    """Also with a hand that misses the height: the height it reached is known."""
    start = prepare(check_case(str(run.parent)), run, 1, lambda text: None)
    one = replace(histories_of(start, run, lambda text: None)[1], weight=1.0)
    clumsy = with_keys(start.work.case, {"hand.height_pct": 20.0})
    truth = replace(at_dent(start, one), work=replace(start.work, case=clumsy))
    ensemble = Ensemble((replace(one, session=at_dent(start, one)),), (1.0,))
    done = rehearse(ensemble, truth, lambda: find_strategy("centre-first"), 0.005)
    assert len(done.steps) == 2
    assert done.outcome == "steps used up"
    assert done.missed_mm() < 0.01
    row = done.steps[0].after.now.row
    assert abs(row.released_mm - done.steps[0].operation.goal_mm) > 0.02
    assert done.steps[-1].weights == (1.0,)
    assert done.missed_mm(unread=True) == done.missed_mm()
    first, last = (step.foretold["low_rise_mm"] for step in done.steps)
    # the panel of the second step is itself foretold: its band has the margin of the first
    margin = rooms()["middle, pull"].room_share * abs(
        row.low_rise_mm - truth.now.row.low_rise_mm)
    assert first.high_mm - first.low_mm == pytest.approx(2.0 * margin, rel=0.05)
    assert last.high_mm - last.low_mm > 2.0 * margin


def field_at(ensemble: Ensemble, places) -> np.ndarray:
    field = ensemble.likeliest.now.field
    return RectBivariateSpline(field.x_mm, field.y_mm, field.d_mm.T)(*np.transpose(places),
                                                                     grid=False)
