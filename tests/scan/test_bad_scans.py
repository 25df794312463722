"""Bad scans: one clear line each, exit code 2, no traceback, no runaway memory, nothing written."""

from __future__ import annotations

import io
import re
import resource
import struct
from pathlib import Path

import meshio
import numpy as np
import pytest

from simkit.cli.main import main
from simkit.errors import InputError
from simkit.scan import files
from simkit.verification.problems.scan_round_trip import write_made
from simkit.verification.problems.scans import DENTS, PANELS, make_scan, surface_points

FORMS = ("ply", "stl", "obj", "vtu", "xyz", "csv", "npy")
MOST_MORE_MB = 300


@pytest.fixture(scope="module")
def scan():
    return make_scan(PANELS["double-curved"], DENTS["bowl"], 6000, outliers=0.01)


@pytest.fixture(scope="module")
def whole(scan, tmp_path_factory):
    """Bytes of a sound scan in each format, and text forms of PLY and STL."""
    folder = tmp_path_factory.mktemp("whole")
    files = {form: write_made(scan, folder / f"s.{form}") for form in FORMS}
    mesh = meshio.Mesh(scan.points, [("triangle", scan.triangles.astype(np.int32))])
    meshio.ply.write(folder / "text.ply", mesh, binary=False)
    meshio.stl.write(folder / "text.stl", mesh, binary=False)
    files |= {"text ply": folder / "text.ply", "text stl": folder / "text.stl"}
    return {form: file.read_bytes() for form, file in files.items()}


def refused(file: Path, capsys, *expected: str, options: tuple[str, ...] = ("--unit", "mm")):
    out = file.parent / "out"
    before = _peak_mb()
    assert main(["read", str(file), *options, "--out", str(out)]) == 2
    errors = [line for line in capsys.readouterr().err.splitlines() if not line.startswith("...")]
    assert len(errors) == 1
    assert errors[0].startswith("error: ")
    for text in expected:
        assert text in errors[0]
    assert "Traceback" not in errors[0]
    assert not out.exists()
    assert _peak_mb() - before < MOST_MORE_MB


def _peak_mb() -> float:
    return max(resource.getrusage(who).ru_maxrss for who in
               (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024.0


def written(folder: Path, name: str, data: bytes) -> Path:
    (folder / name).write_bytes(data)
    return folder / name


@pytest.mark.parametrize("form", FORMS)
def test_sound_files_are_read(form, whole, tmp_path, capsys):
    assert main(["read", str(written(tmp_path, f"s.{form}", whole[form])), "--unit", "mm"]) == 0
    assert "low -2.9" in capsys.readouterr().out


@pytest.mark.parametrize("form", FORMS)
def test_empty_files(form, tmp_path, capsys):
    refused(written(tmp_path, f"s.{form}", b""), capsys, "empty (0 bytes)")


@pytest.mark.parametrize("form", [*FORMS, "text ply", "text stl"])
@pytest.mark.parametrize("share", [0.02, 0.4, 0.7, 0.98])
def test_truncated_files(form, share, whole, tmp_path, capsys):
    raw = whole[form]
    end = int(share * len(raw))
    # Not at the end of a line: a text without a count, cut there, is a whole one.
    end -= raw[:end].endswith(b"\n")
    refused(written(tmp_path, f"s.{form.split()[-1]}", raw[:end]), capsys, "truncated")


def npy_header(shape) -> bytes:
    head = io.BytesIO()
    np.lib.format.write_array_header_1_0(
        head, {"descr": "<f8", "fortran_order": False, "shape": shape})
    return head.getvalue()


LIES = {  # each header states some 5 GB
    "stl": lambda raw: raw[:80] + struct.pack("<I", 100_000_000) + raw[84:],
    "ply": lambda raw: re.sub(rb"element vertex \d+", b"element vertex 210000000", raw),
    "vtu": lambda raw: re.sub(rb'NumberOfPoints="\d+"', b'NumberOfPoints="210000000"', raw),
    "npy": lambda raw: npy_header((210_000_000, 3)) + raw[128:],
    "xyz": lambda raw: b"210000000\n" + raw,
}


@pytest.mark.parametrize("form", LIES)
def test_headers_that_lie_about_5_GB(form, whole, tmp_path, capsys):
    refused(written(tmp_path, f"s.{form}", LIES[form](whole[form])), capsys, "states")


SMALL_LIES = {  # below every limit of size, so that only the file itself can tell
    "stl": lambda raw: raw[:80] + struct.pack("<I", 20_000_000) + raw[84:],
    "ply": lambda raw: re.sub(rb"element vertex \d+", b"element vertex 15000000", raw),
    "vtu": lambda raw: re.sub(rb'NumberOfPoints="\d+"', b'NumberOfPoints="9000000"', raw),
    "npy": lambda raw: npy_header((15_000_000, 3)) + raw[128:],
}


@pytest.mark.parametrize("form", SMALL_LIES)
def test_headers_that_lie_a_little(form, whole, tmp_path, capsys):
    refused(written(tmp_path, f"s.{form}", SMALL_LIES[form](whole[form])), capsys, "whole file")


BROKEN = {
    "noise.ply": np.random.default_rng(0).bytes(4000),
    "noise.stl": np.random.default_rng(1).bytes(4000),
    "noise.obj": np.random.default_rng(2).bytes(4000),
    "noise.vtu": np.random.default_rng(3).bytes(4000),
    "noise.xyz": np.random.default_rng(4).bytes(4000),
    "noise.npy": np.random.default_rng(5).bytes(4000),
    "index.obj": b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n",
    "word.csv": b"x,y,z\n1,2,3\n1,deep,3\n",
    "ragged.xyz": b"1 2 3\n1 2\n",
    "columns.csv": b"a,b,c\n1,2,3\n",
    "two.xyz": b"1 2\n3 4\n",
    "comments.xyz": b"# nothing\n# here\n",
    "header.ply": b"ply\nformat ascii 1.0\nelement vertex many\nend_header\n",
    "scan.dxf": b"0\nSECTION\n",
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_files(name, tmp_path, capsys):
    refused(written(tmp_path, name, BROKEN[name]), capsys, name)


def test_broken_tag_of_a_vtu(whole, tmp_path, capsys):
    """meshio leaves the program (SystemExit) on such a file."""
    raw = whole["vtu"].replace(b"<DataArray", b"<DataArry", 1)
    refused(written(tmp_path, "s.vtu", raw), capsys, "cannot be read as VTU")


def test_missing_file(tmp_path, capsys):
    refused(tmp_path / "none.ply", capsys, "no such file")


def test_arrays_that_are_no_points(tmp_path, capsys):
    np.save(tmp_path / "a.npy", np.zeros((10, 2)))
    refused(tmp_path / "a.npy", capsys, "(n, 3)")
    np.save(tmp_path / "b.npy", np.full((500, 3), np.nan))
    refused(tmp_path / "b.npy", capsys, "not valid numbers")
    np.save(tmp_path / "c.npy", np.array([{"x": 1}], dtype=object), allow_pickle=True)
    refused(tmp_path / "c.npy", capsys, "object")


UNITS = [  # (made in, said, expected)
    ("m", None, "no unit given", "m would make it"),
    ("mm", None, "no unit given", "mm would make it"),
    ("mm", "m", "5.1", "mm would make it"),
    ("m", "mm", "0.51", "m would make it"),
    ("inch", "m", "unit m", "inch would make it"),
    ("mm", "inch", "unit inch", "mm would make it"),
    ("mm", "cm", "unknown unit 'cm'", "did you mean"),
]


@pytest.mark.parametrize(("made", "said", "what", "hint"), UNITS)
def test_no_unit_and_wrong_units(made, said, what, hint, tmp_path, capsys):
    made_scan = make_scan(PANELS["flat"], DENTS["bowl"], 3000, made)
    file = write_made(made_scan, tmp_path / "s.npy")
    refused(file, capsys, what, hint, options=() if said is None else ("--unit", said))


def in_panel(scan):
    return (scan.points - scan.shift) @ scan.turn


def test_normals_inside_out(scan, tmp_path, capsys):
    mesh = meshio.Mesh(scan.points, [("triangle", scan.triangles[:, ::-1].astype(np.int32))])
    mesh.write(tmp_path / "s.stl", binary=True)
    refused(tmp_path / "s.stl", capsys, "point inward", "outside: flipped")
    for side, low in (("flipped", "low -2.9"), ("normals", "high +2.9")):
        argv = ["read", str(tmp_path / "s.stl"), "--unit", "mm", "--outside", side]
        assert main(argv) == 0
        assert low in capsys.readouterr().out


def test_two_sheets_of_a_double_sided_mesh(scan, tmp_path, capsys):
    """Outer and inner face, 0.8 mm apart."""
    inner = in_panel(scan)
    normal = surface_points(scan.panel, inner[:, 0], inner[:, 1])[1]
    corners = np.vstack([scan.triangles, scan.triangles[:, ::-1] + len(inner)])
    meshio.Mesh(np.vstack([inner, inner - 0.8 * normal]),
                [("triangle", corners.astype(np.int32))]).write(tmp_path / "s.stl", binary=True)
    refused(tmp_path / "s.stl", capsys, "two sheets", "outer face")


def test_a_closed_body(tmp_path, capsys):
    """A sphere of 100 mm: no side of it is a panel's."""
    point = np.random.default_rng(0).normal(size=(3000, 3))
    np.save(tmp_path / "s.npy", 100.0 * point / np.linalg.norm(point, axis=1)[:, None])
    refused(tmp_path / "s.npy", capsys, "outer face")


def test_too_few_points_and_points_on_a_line(scan, tmp_path, capsys):
    np.save(tmp_path / "s.npy", scan.points[:150])
    refused(tmp_path / "s.npy", capsys, "150 points; at least 200")
    np.save(tmp_path / "s.npy", np.outer(np.linspace(0.0, 500.0, 400), [1.0, 2.0, 0.5]))
    refused(tmp_path / "s.npy", capsys, "on one line")


@pytest.mark.parametrize("reach", [25.0, 45.0, 75.0])
def test_no_undamaged_surroundings(reach, tmp_path, capsys):
    """Cut round the dent: within the bowl, at its rim, within its crown."""
    dense = make_scan(PANELS["double-curved"], DENTS["bowl"], 100_000, seed=4)
    place = in_panel(dense)
    near = np.hypot(place[:, 0] - 20.0, place[:, 1] + 25.0) < reach
    np.save(tmp_path / "s.npy", place[near])
    refused(tmp_path / "s.npy", capsys, "undamaged surroundings")


def test_options_that_do_not_fit(scan, tmp_path, capsys):
    np.save(tmp_path / "s.npy", in_panel(scan))
    file = tmp_path / "s.npy"
    for options, found in ((("--outside", "up"), "unknown side 'up'"),
                           (("--outside", "normals"), "has no normals"),
                           (("--outside", "+x"), "lies in the panel"),
                           (("--along", "+z"), "points out of the panel"),
                           (("--grade", "DC99"), "DC99")):
        refused(file, capsys, found, options=("--unit", "mm", *options))
    assert main(["read", str(Path(__file__).parents[2] / "cases" / "crease"), "--unit", "mm"]) == 2
    assert "--unit is for scans" in capsys.readouterr().err


@pytest.mark.parametrize("suffix", ["vtk", "vtp"])
def test_a_form_that_needs_pyvista_says_so(tmp_path, monkeypatch, suffix):
    file = tmp_path / f"scan.{suffix}"
    file.write_bytes(b"# vtk DataFile Version 3.0\n")
    monkeypatch.setattr(files, "find_spec", lambda name: None)
    with pytest.raises(InputError, match="need pyvista, which is not installed") as refused:
        files.read_scan_file(file)
    assert "pip install -e '.[three-d]'" in str(refused.value)
