"""Small dents are found again in the reconstructed panel, or it is said that they are not."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from simkit.case.load import load_case
from simkit.checks.deeper import check_case
from simkit.cli.main import main
from simkit.dent.shapes import Bowl
from simkit.errors import InputErrors
from simkit.history.reconstruct import imprinted, match_of
from simkit.inspection.measured import wanted_spots
from simkit.measurement.read import field_of_shapes
from simkit.repair.session import open_session
from simkit.repair.workpiece import make_workpiece
from simkit.study.run import NO_MATCH, ending

BOWL = {"kind": "bowl", "x_mm": 3, "y_mm": -2, "length_mm": 15, "width_mm": 15, "depth_mm": 0.3}
CASE = {"format": 1, "title": "Ding", "about": "Invented for the tests.",
        "panel": {"surface": "flat", "length_x_mm": 160, "length_y_mm": 120, "thickness_mm": 0.8,
                  "grade": "DC04"},
        "mesh": {"fine_mm": 6, "layers": 3}, "dent": {"shapes": [BOWL]},
        "history": {"method": "imprint", "rounds": 3},
        "kit": {"tabs": ["round-20"], "tips": ["ball-12"], "glue": "standard-hot-melt"},
        "strategies": ["crown-first"]}


def made(folder, **blocks):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "case.yaml").write_text(json.dumps({**CASE, **blocks}), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def work(tmp_path_factory):
    return make_workpiece(load_case(made(tmp_path_factory.mktemp("ding"))))


@pytest.fixture(scope="module")
def found(work):
    return imprinted(work)


def test_a_mesh_too_coarse_for_a_dent_is_made_finer_and_says_so(work):
    """(1 - s)^3 with s = (2 r / w)^2 falls to half at r = 0.227 w: 6.8 mm across for 15 mm."""
    (spot,) = work.spots
    assert spot.short_mm == pytest.approx(2.0 * 0.2271 * 15.0, rel=0.06)
    finest = min(np.diff(work.model.patch.basis_u.breaks).min(),
                 np.diff(work.model.patch.basis_v.breaks).min())
    assert finest <= 1.05 * spot.short_mm / 2.5
    (said,) = work.remarks
    assert "too coarse" in said


def test_a_small_dent_is_in_the_panel_at_step_0(work, found):
    """The formula of the described bowl is the truth."""
    assert found.matched, found.sentence()
    truth = -0.3
    d = work.close.field(found.state)
    assert np.nanmin(d.d_mm) == pytest.approx(truth, abs=0.03)
    row, column = np.unravel_index(np.nanargmin(d.d_mm), d.d_mm.shape)
    assert np.hypot(d.x_mm[column] - 3.0, d.y_mm[row] + 2.0) < 1.5
    session = open_session(work, found.state)
    assert not session.now.row.flat
    assert len(session.spots()) == 1


def test_a_panel_without_the_dent_is_not_matched_and_never_flat(work):
    virgin = work.model.virgin()
    match = match_of(work, virgin)
    assert not match.matched
    assert match.worst_mm == pytest.approx(0.3, abs=0.02)
    assert "low of -0.30 mm at (3, -2)" in match.reason
    session = open_session(work, virgin, matched=False)
    assert not session.now.row.flat
    assert ending(session) == NO_MATCH


def test_half_the_dent_is_not_the_dent(work, found):
    half = replace(found.state, displacement=0.6 * found.state.displacement)
    assert not match_of(work, half).matched


def test_what_was_not_measured_must_not_stand_out(work, found):
    """A bowl on the other side of the panel, added to what was found."""
    x, y = (work.model.patch.control[:, k] for k in (0, 1))
    stray = found.state.displacement.copy()
    stray[:, 2] -= 0.4 * np.exp(-((x + 60.0) ** 2 + (y - 40.0) ** 2) / 10.0**2)
    match = match_of(work, replace(found.state, displacement=stray))
    assert not match.matched
    assert "difference at" in match.reason  # neither a spot nor the damage as a whole
    assert match.worst_xy_mm == pytest.approx((-60.0, 40.0), abs=5.0)


def test_hail_on_a_wide_panel_has_all_its_spots():
    """24 bowls of 8 mm; by their formula every one is 0.2 mm deep."""
    at = np.random.default_rng(3).permutation(30)[:24]
    bowls = [Bowl(150.0 * (k % 6) + 7.3, 160.0 * (k // 6) + 3.1, 0.2, 8.0, 8.0) for k in at]
    spots = wanted_spots(field_of_shapes(bowls, 0.02), 0.1)
    assert len(spots) == len(bowls)
    assert max(abs(one.spot.height_mm + 0.2) for one in spots) < 0.02


@pytest.mark.parametrize(("blocks", "key"), [
    ({"panel": {**CASE["panel"], "length_x_mm": 3000, "length_y_mm": 3000},
      "dent": {"shapes": [{**BOWL, "length_mm": 8, "width_mm": 8}]}}, "panel"),
    ({"mesh": {"fine_mm": 8}, "kit": {**CASE["kit"], "tips": ["ball-3"]}}, "mesh.fine_mm"),
])
def test_what_no_mesh_or_grid_can_hold_is_refused(tmp_path, blocks, key):
    with pytest.raises(InputErrors) as caught:
        check_case(str(made(tmp_path / "case", **blocks)))
    assert [error.key for error in caught.value.errors] == [key]


def test_run_and_compare_stop_before_working_on_another_panel(tmp_path, monkeypatch, capsys):
    """A reconstruction that finds nothing: outcome and exit code of its own, nothing flat."""
    monkeypatch.setattr("simkit.study.run.reconstruct",
                        lambda work, *_: replace(imprinted(work), match=match_of(
                            work, work.model.virgin()), state=work.model.virgin()))
    case = made(tmp_path / "case", limits={"steps": 1})
    command = [str(case), "--out", str(tmp_path / "run")]
    assert main(["run", *command, "--strategy", "crown-first", "--threads", "1"]) == 4
    said = capsys.readouterr().out
    assert NO_MATCH in said
    assert "-0.30 mm" in said
    table = (tmp_path / "run" / "steps.csv").read_text()
    assert "yes" not in table.split("\n")[1]
    assert (tmp_path / "run" / "pictures" / "match.png").exists()
    out = ["--out", str(tmp_path / "both")]
    assert main(["compare", str(case), *out, "--workers", "1"]) == 4
    head, row = (tmp_path / "both" / "compare.csv").read_text().split()[0], None
    row = dict(zip(head.split(","), (tmp_path / "both" / "compare.csv").read_text().split("\n")[1]
                   .split(","), strict=True))
    assert (row["flat"], row["matched"], row["steps"], row["outcome"]) == ("no", "no", "0",
                                                                           NO_MATCH)
    assert float(row["worst_mm"]) == pytest.approx(0.3, abs=0.02)
    assert main(["run", *command, "--strategy", "crown-first", "--threads", "1",
                 "--accept-mismatch"]) != 0
