"""Exports: read back by other readers, equal to the records; the page asks for nothing."""

from __future__ import annotations

import base64
import json
import re
import shutil
import struct
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from browser import needs_chromium, shoot
from stored_run import PLAN, write_run

from simkit.cli.main import main
from simkit.errors import InputError
from simkit.export import tables
from simkit.export.net import open_net
from simkit.export.page import page_data
from simkit.export.solids import triangles_of
from simkit.record.read import read_run

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> Path:
    return write_run(tmp_path_factory.mktemp("export") / "run", PLAN[:1] + PLAN[3:5])


def export(run: Path, kind: str, out: Path, *more: str) -> None:
    assert main(["export", str(run), kind, "--out", str(out), *more]) == 0


def test_the_net_lies_on_the_surface_and_faces_outward(run):
    net = open_net(read_run(run))
    state = net.state(0)
    a, b, c = (state.points_mm()[triangles_of(state)[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    outward = state.grid.normals.reshape(-1, 3)[triangles_of(state)[:, 0]]
    assert np.sum(normal * outward, axis=1).min() > 0.0
    # corners of elements are points of the patch itself
    u, v = net.u[::2], net.v[::2]
    places = net.sheet.patch.points(*(g.ravel() for g in np.meshgrid(u, v)))
    assert np.allclose(net.plain.points_mm[::2, ::2].reshape(-1, 3), places)


def test_time_series_is_read_back_by_meshio(run, tmp_path):
    import meshio

    export(run, "pvd", tmp_path)
    listed = ElementTree.parse(tmp_path / "run.pvd").getroot().iter("DataSet")
    files = [(float(one.get("timestep")), one.get("file")) for one in listed]
    assert [time for time, _ in files] == [0.0, 1.0, 2.0]
    net = open_net(read_run(run))
    for number, (_, name) in enumerate(files):
        mesh = meshio.read(tmp_path / name)
        state = net.state(number)
        assert np.allclose(mesh.points, state.points_mm())
        assert np.allclose(mesh.point_data["deviation_mm"], state.d_mm)
        assert {"plastic_strain", "thinning_pct", "paint_strain", "residual_outer_MPa",
                "residual_inner_MPa"} <= set(mesh.cell_data)
    element = mesh.cell_data["plastic_strain"][0]
    assert element.max() == pytest.approx(state.net.sheet.maps(2)["plastic_strain"].max())


@pytest.mark.parametrize("kind", ["stl", "ply", "vtk"])
def test_solids_are_read_back_by_meshio(run, tmp_path, kind):
    import meshio

    export(run, kind, tmp_path, "--step", "0", "--exaggerate", "3")
    mesh = meshio.read(tmp_path / f"step-0000.{kind}")
    wanted = open_net(read_run(run)).state(0).points_mm(3.0)
    assert sum(len(block.data) for block in mesh.cells if block.type == "triangle") == 2 * len(
        open_net(read_run(run)).cells)
    assert np.allclose(mesh.points.min(axis=0), wanted.min(axis=0), atol=1e-3)
    assert np.allclose(mesh.points.max(axis=0), wanted.max(axis=0), atol=1e-3)


def test_gltf_is_whole_and_in_metres(run, tmp_path):
    """Layout of a binary glTF 2.0 file: header, JSON chunk, binary chunk (Khronos, MEMORY)."""
    export(run, "glb", tmp_path)
    data = (tmp_path / "step-0002.glb").read_bytes()
    magic, version, length, size, kind = struct.unpack("<4sIIII", data[:20])
    assert (magic, version, length, kind) == (b"glTF", 2, len(data), 0x4E4F534A)
    scene = json.loads(data[20 : 20 + size])
    blob = data[28 + size :]
    assert len(blob) == scene["buffers"][0]["byteLength"]
    first = scene["accessors"][0]
    points = np.frombuffer(blob, "<f4", 3 * first["count"]).reshape(-1, 3)
    assert np.ptp(points, axis=0)[[0, 2]] == pytest.approx([0.6, 0.4], abs=1e-3)
    assert points.min(axis=0) == pytest.approx(first["min"])
    view = scene["bufferViews"][3]
    corners = np.frombuffer(blob, "<u4", view["byteLength"] // 4, view["byteOffset"])
    assert corners.max() == first["count"] - 1


def test_tables_hold_what_is_recorded(run, tmp_path):
    record = read_run(run)
    export(run, "csv", tmp_path)
    rows = np.genfromtxt(tmp_path / "fields.csv", delimiter=",", names=True)
    assert np.allclose(rows["d_0001_mm"], record.fields[1].d_mm.ravel(), equal_nan=True)
    export(run, "npz", tmp_path)
    with np.load(tmp_path / "run.npz", allow_pickle=False) as held:
        assert held["d_mm"].shape == (3, *record.fields[0].d_mm.shape)
        assert list(held["steps_operation"]) == [step.operation for step in record.steps]
        assert held["steps_force_N"][1] == record.steps[1].force_N


def test_parquet_holds_the_same(run, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    export(run, "parquet", tmp_path)
    table = parquet.read_table(tmp_path / "fields.parquet")
    d = table["d_0002_mm"].to_numpy()
    assert np.allclose(d, read_run(run).fields[2].d_mm.ravel(), equal_nan=True)


def test_without_pyarrow_the_way_to_it_is_named(run, tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(InputError, match="pip install"):
        tables.write_parquet(read_run(run), tmp_path)


def test_the_page_holds_the_records_and_no_address(run, tmp_path):
    export(run, "html", tmp_path)
    page = (tmp_path / "run.html").read_text(encoding="utf-8")
    assert set(re.findall(r"https?://[\w./-]+", page)) <= {"http://www.w3.org/1999/xhtml"}
    assert not re.search(r"<(?:script|link|img)[^>]+(?:src|href)=", page)
    held = json.loads(re.search(r'id="data">(.*?)</script>', page, re.DOTALL)[1])
    net = open_net(read_run(run))
    assert held == json.loads(json.dumps(page_data(net)))
    for number, step in enumerate(held["steps"]):
        d = 1e-4 * np.frombuffer(base64.b64decode(step["d"]), "<i4")
        assert np.abs(d - net.state(number).d_mm).max() <= 0.5001e-4
        slopes = np.frombuffer(base64.b64decode(step["n"]), "<i2").reshape(-1, 2) / 16384.0
        normals = net.state(number).grid.normals.reshape(-1, 3)
        assert np.abs(slopes - normals[:, :2] / normals[:, 2:]).max() < 1e-4


def test_a_title_cannot_leave_the_data_of_the_page(run, tmp_path):
    record = read_run(run)
    folder = tmp_path / "odd"
    shutil.copytree(run, folder)
    info = folder / "run.json"
    info.write_text(info.read_text().replace(record.title, "</script><b>x"))
    export(folder, "html", tmp_path / "page")
    page = (tmp_path / "page" / "run.html").read_text(encoding="utf-8")
    assert "</script><b>" not in page


@needs_chromium
def test_the_page_turns_in_a_browser_without_a_word(run, tmp_path):
    """Two pictures from two sides differ; nothing is said on the console."""
    export(run, "html", tmp_path)
    shots = [tmp_path / f"{turn}.png" for turn in (10, 70)]
    for shot in shots:
        assert shoot(tmp_path / "run.html", shot, f"#turn={shot.stem}&mode=1") == []
    assert shots[0].read_bytes() != shots[1].read_bytes()


def test_an_export_of_format_1_is_still_what_is_written(tmp_path):
    """File stored with version 0.1.0; the layout of docs/exports.md, and the numbers in it."""
    export(DATA / "run-format-1", "npz", tmp_path)
    with (np.load(DATA / "export-format-1.npz", allow_pickle=False) as old,
          np.load(tmp_path / "run.npz", allow_pickle=False) as new):
        assert int(old["format"]) == int(new["format"]) == 1
        assert set(old.files) <= set(new.files)
        steps, rows, columns = old["d_mm"].shape
        assert (old["y_mm"].shape, old["x_mm"].shape) == ((rows,), (columns,))
        for name in old.files:
            assert old[name].shape == new[name].shape, name
            assert np.array_equal(old[name], new[name], equal_nan=old[name].dtype.kind == "f")
            assert not name.startswith("steps_") or old[name].shape == (steps,)


def test_a_run_of_format_1_is_still_read(tmp_path):
    """Folder stored with version 0.1.0; it has to stay readable."""
    folder = tmp_path / "old"
    shutil.copytree(DATA / "run-format-1", folder)
    record = read_run(folder)
    assert [step.operation for step in record.steps] == ["dent", "pull"]
    assert record.fields[1].d_mm.min() == pytest.approx(-0.5, abs=0.01)
    state = open_net(record).state(1)
    assert state.d_mm.min() == pytest.approx(-0.5, abs=0.01)
    assert state.maps()["plastic_strain"].max() == pytest.approx(0.02)
