"""The sorts of odd input: case files, tables, scans, flags and stored folders, from a seed."""

from __future__ import annotations

import json
import os
import struct
from collections.abc import Callable
from pathlib import Path
from random import Random

import numpy as np
from campaign import ALLOWED, Sort, Tried, ask
from stored import write_stored

SOUND = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel:
  surface: flat
  outline: rectangle
  length_x_mm: 300
  length_y_mm: 200
  thickness_mm: 0.8
  grade: DC04
  edges: {left: held, right: hinged, bottom: free, top: held}
  supports:
    - {shape: disc, name: pad, x_mm: 60, y_mm: 40, radius_mm: 15, stiffness_N_per_mm3: 0.1}
  behind: {reach: all}
mesh: {fine_mm: 6, coarse_mm: 20, layers: 5, degree: 2}
dent:
  shapes:
    - {kind: bowl, x_mm: 5, y_mm: -4, length_mm: 70, width_mm: 60, depth_mm: 1.8, crown_mm: 0.15}
  noise_mm: 0.02
history: {method: strike, side: outside, rounds: 4, match_mm: 0.03}
kit: {tabs: [round-25], tips: [ball-12], glue: standard-hot-melt}
limits: {steps: 3, pull_force_N: 1500}
goal: {tolerance_mm: 0.1, slope_mrad: 2.0, slope_base_mm: 20}
strategies: [crown-first, worst-spot-first]
"""
WORDS = ["", " ", "~", "null", "true", "no", "nan", ".nan", ".inf", "-.inf", "1e999", "-1e999",
         "1e300", "-0.0", "0", "-1", "9" * 400, "9" * 5000, "0x1F", "012", "1_000", "1e-320",
         "'text'", "\"\\0\"", "\"\\e[31mred\"", "\"a\\nb\"", "'$\\alpha$ {x} %s'", "'100 % $'",
         "\U0001f600", "'\u202eabc'", "[]", "{}", "[[]]", "[1, 2]", "{a: 1}", "&a 1", "*a",
         "!!python/object:os.system x", "!!binary aGk=", "2024-01-01", "1,5", "0.8 mm",
         "'" + "x" * 3000 + "'", "/dev/zero", "/dev/stdin", "/etc/passwd", "../../x.csv", ".",
         "/proc/self/mem", "x" * 300 + ".csv", "@", "`", "%x", "- - -", "? a", "|", ">", "<<: {}"]
BYTES = [b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\t", b"\x85", b"\x1b[2J", b"\xc3(", b"{",
         b"]", b":", b"\n---\n", b"\n", b"#", b"%YAML 1.1\n", b"&", b"*", b"!", b"\xed\xa0\x80"]


def case_file(rng: Random, here: Path) -> Tried:
    """A sound case with some of it made odd, given to `check`."""
    text = SOUND
    for _ in range(rng.choice([1, 1, 1, 2, 4])):
        text = rng.choice(CHANGES)(rng, text)
    data = text.encode("utf-8", "surrogatepass")
    if rng.random() < 0.15:
        data = spoiled(rng, data)
    (here / "case.yaml").write_bytes(data)
    return ask("case file", ["check", str(here / rng.choice(["case.yaml", ""]))])


def _value(rng: Random, text: str) -> str:
    """One value replaced by an odd one."""
    places = [i for i, c in enumerate(text) if text.startswith(": ", i)]
    at = rng.choice(places) + 2
    end = min(i for i in (text.find(c, at) for c in ",}\n") if i >= 0)
    return text[:at] + rng.choice(WORDS) + text[end:]


def _number(rng: Random, text: str) -> str:
    """One number replaced by another one of any size."""
    value = rng.choice([1.0, -1.0]) * 10.0 ** rng.uniform(-8, 8) * rng.random()
    places = [i for i, c in enumerate(text) if c.isdigit() and text[i - 1] == " "]
    at = rng.choice(places)
    end = at
    while text[end] in "0123456789.":
        end += 1
    return text[:at] + f"{value:.4g}" + text[end:]


def _line(rng: Random, text: str) -> str:
    """One line dropped, doubled, moved or indented otherwise."""
    lines = text.splitlines(keepends=True)
    at = rng.randrange(len(lines))
    line = lines.pop(at)
    where = rng.randrange(len(lines) + 1)
    act = rng.choice(["drop", "double", "move", "indent"])
    if act == "double":
        lines[at:at] = [line, line]
    elif act == "move":
        lines.insert(where, line)
    elif act == "indent":
        lines.insert(at, " " * rng.randrange(1, 5) + line)
    return "".join(lines)


def _key(rng: Random, text: str) -> str:
    """One key with a letter more, less or other."""
    places = [i for i in range(1, len(text)) if text.startswith(":", i) and text[i - 1].isalpha()]
    at = rng.choice(places)
    return text[:at - 1] + rng.choice(["", "x", "\u00e9", "__class__", "$"]) + text[at:]


def _many(rng: Random, text: str) -> str:
    """Very many shapes, tabs or nested lists."""
    count = rng.choice([50, 500, 5000])
    shape = "    - {kind: bowl, x_mm: 5, y_mm: -4, length_mm: 20, width_mm: 20, depth_mm: 0.2}\n"
    return rng.choice([
        lambda: text.replace("  noise_mm", shape * count + "  noise_mm", 1),
        lambda: text.replace("[round-25]", "[" * count + "]" * count, 1),
        lambda: text.replace("title: ", "title: " + "a" * count * 10, 1),
        lambda: text + "".join(f"k{i}: {i}\n" for i in range(count)),
        lambda: text + "deep: " + "{a: " * count + "1" + "}" * count + "\n"])()


def _points(rng: Random, text: str) -> str:
    """Another source of the depth field, which may not be there."""
    start, end = text.find("  shapes:"), text.find("  noise_mm")
    if start < 0 or end < 0:
        return text
    name = rng.choice(["points.csv", "no.csv", ".", "..", "/dev/null", "/dev/zero", "case.yaml",
                       "a" * 300, "\U0001f600.csv", "'a b.csv'", "''"])
    key = rng.choice(["points_csv", "sections_csv", "grid_csv", "scan"])
    source = f"  {key}: {name}\n" if key != "scan" else (
        f"  scan: {{file: {name}, unit: mm, x_mm: 0, y_mm: 0}}\n")
    return text[:start] + source + text[end:]


CHANGES: list[Callable[[Random, str], str]] = [_value, _value, _value, _number, _number, _line,
                                               _key, _many, _points]


def spoiled(rng: Random, data: bytes) -> bytes:
    """Bytes with some cut off, changed, doubled or put in."""
    for _ in range(rng.choice([1, 1, 3, 10])):
        at = rng.randrange(len(data) + 1)
        act = rng.choice(["cut", "flip", "put", "double", "drop"])
        if act == "cut":
            data = data[:at]
        elif act == "flip" and data:
            at = min(at, len(data) - 1)
            data = data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1:]
        elif act == "put":
            data = data[:at] + rng.choice(BYTES) + data[at:]
        elif act == "double":
            data = data[:at] + data[at // 2: at] + data[at:]
        elif act == "drop":
            data = data[:at] + data[at + rng.randrange(1, 40):]
    return data


CELLS = ["", " ", "nan", "inf", "-inf", "1e300", "-1e300", "1e-300", "1e999", "9" * 5000, "0x10",
         "1,5", "1_0", "abc", "\"1\"", "\"", "-", "+", "1e5", "'1", "\u0663", "x" * 140_000, "1;2",
         "=1+1", "1e", "--1", "0", "-0.0", "40.1", "\x1b[31m"]


def table(rng: Random, here: Path) -> Tried:
    """A table of gauge points or a grid made odd, given to `check`."""
    kind = rng.choice(["points_csv", "grid_csv"])
    rows = _gauge(rng) if kind == "points_csv" else _grid(rng)
    for _ in range(rng.choice([0, 1, 1, 2, 5])):
        row = rng.choice(rows)
        act = rng.choice(["cell", "cell", "more", "less", "double", "none"])
        if act == "cell":
            row[rng.randrange(len(row))] = rng.choice(CELLS)
        elif act == "more":
            row.insert(rng.randrange(len(row) + 1), rng.choice(CELLS))
        elif act == "less" and len(row) > 1:
            row.pop(rng.randrange(len(row)))
        elif act == "double":
            rows.insert(rng.randrange(len(rows)), list(row))
    mark = rng.choice([",", ",", ",", ";", "\t", " "])
    data = rng.choice(["\n", "\n", "\r\n", "\r"]).join(mark.join(row) for row in rows).encode()
    if rng.random() < 0.2:
        data = spoiled(rng, data)
    (here / "dent.csv").write_bytes(data)
    start, end = SOUND.index("  shapes:"), SOUND.index("  noise_mm")
    (here / "case.yaml").write_text(SOUND[:start] + f"  {kind}: dent.csv\n" + SOUND[end:])
    return ask("table", ["check", str(here)])


def _gauge(rng: Random) -> list[list[str]]:
    count = rng.choice([0, 3, 6, 30, 30, 60])
    spread = rng.choice([0.0, 1e-4, 1.0, 40.0, 40.0, 40.0, 1e4])
    rows = [["x_mm", "y_mm", "d_mm"]]
    for _ in range(count):
        x, y = (rng.uniform(-spread, spread) for _ in range(2))
        rows.append([f"{x:.4g}", f"{y:.4g}", f"{-max(0.0, 1.5 - 0.05 * np.hypot(x, y)):.4g}"])
    if rng.random() < 0.1:
        rows += [rows[-1]] * rng.choice([10, 3000, 120_000])
    return [list(row) for row in rows]


def _grid(rng: Random) -> list[list[str]]:
    nx, ny = rng.choice([1, 4, 8, 12]), rng.choice([1, 4, 8])
    step = rng.choice([1e-6, 5.0, 5.0, 8.0, 300.0])
    head = ["y\\x", *(f"{step * (i - nx / 2):.6g}" for i in range(nx))]
    return [head, *([f"{step * (j - ny / 2):.6g}", *(f"{rng.uniform(-0.5, 0.0):.3g}"
                                                    for _ in range(nx))] for j in range(ny))]


def scan(rng: Random, here: Path) -> Tried:
    """A small scan made odd, given to `read`."""
    form = rng.choice(["stl", "stl", "ply", "ply", "obj", "xyz", "xyz", "csv", "npy"])
    data = SCANS[form](rng, _surface(rng))
    if rng.random() < 0.6:
        data = spoiled(rng, data)
    file = here / f"scan.{form}"
    file.write_bytes(data)
    argv = ["read", str(file), "--unit", rng.choice(["mm", "mm", "mm", "m", "inch", "km", ""])]
    if rng.random() < 0.2:
        argv += ["--thickness", rng.choice(["nan", "inf", "0.8", "-1", "x", "1e999"])]
    if rng.random() < 0.2:
        argv += ["--outside", rng.choice(["+z", "-x", "auto", "up"])]
    if rng.random() < 0.1:
        argv += ["--reference", rng.choice([str(file), "none.ply", "/dev/zero", "."])]
    return ask("scan", argv)


def _surface(rng: Random) -> np.ndarray:
    """(ny, nx, 3) places of a dented sheet, or of something that is none."""
    n = rng.choice([2, 3, 12, 40, 40])
    half = rng.choice([0.0, 1e-5, 60.0, 150.0, 150.0, 1e6])
    x, y = np.meshgrid(np.linspace(-half, half, n), np.linspace(-half, 0.7 * half, n))
    z = -2.0 * np.exp(-(x**2 + y**2) / 900.0) + rng.choice([0.0, 0.0, 1e-4]) * x**2
    places = np.stack([x, y, z], axis=-1)
    odd = rng.random()
    if odd < 0.1:
        places[:] = places[0, 0]
    elif odd < 0.2:
        places[..., 2] = np.nan
    elif odd < 0.3:
        places[0, 0] = rng.choice([1e300, -1e300, np.inf, np.nan, 1e30])
    elif odd < 0.4:
        places[..., 1] = 0.0
    return places


def _triangles(places: np.ndarray) -> np.ndarray:
    ny, nx = places.shape[:2]
    at = np.arange(ny * nx).reshape(ny, nx)
    a, b, c, d = (at[:-1, :-1].ravel(), at[:-1, 1:].ravel(), at[1:, :-1].ravel(),
                  at[1:, 1:].ravel())
    return np.vstack([np.column_stack([a, b, d]), np.column_stack([a, d, c])])


def _stl(rng: Random, places: np.ndarray) -> bytes:
    corners = places.reshape(-1, 3)[_triangles(places)].astype("<f4")
    record = np.zeros(len(corners), np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")]))
    record["c"] = corners
    count = rng.choice([len(record)] * 5 + [0, 2**32 - 1, len(record) + 1])
    return b"binary".ljust(80, b"\0") + struct.pack("<I", count) + record.tobytes()


def _ply(rng: Random, places: np.ndarray) -> bytes:
    points, triangles = places.reshape(-1, 3), _triangles(places)
    number = rng.choice([str(len(points))] * 5 + ["-1", "9" * 5000, "nan", "99999999"])
    head = (f"ply\nformat ascii 1.0\nelement vertex {number}\nproperty float x\nproperty float y\n"
            f"property float z\nelement face {len(triangles)}\nproperty list uchar int "
            "vertex_indices\nend_header\n")
    body = [" ".join(f"{v:.6g}" for v in point) for point in points]
    body += ["3 " + " ".join(map(str, corners)) for corners in triangles]
    return (head + "\n".join(body) + "\n").encode()


def _obj(rng: Random, places: np.ndarray) -> bytes:
    lines = ["v " + " ".join(f"{v:.6g}" for v in point) for point in places.reshape(-1, 3)]
    shift = rng.choice([1, 1, 1, 0, 10**9])
    lines += ["f " + " ".join(str(i + shift) for i in corners) for corners in _triangles(places)]
    return ("\n".join(lines) + "\n").encode()


def _xyz(rng: Random, places: np.ndarray) -> bytes:
    rows = [" ".join(f"{v:.6g}" for v in point) for point in places.reshape(-1, 3)]
    first = rng.choice([[], [], [], [str(len(rows))], ["9" * 5000], ["x y z"]])
    times = rng.choice([1, 1, 1, 20])
    return ("\n".join([*first, *rows * times]) + "\n").encode()


def _npy(rng: Random, places: np.ndarray) -> bytes:
    points = places.reshape(-1, 3)
    head = rng.choice([None, None,
                       "{'descr': '<f8', 'fortran_order': False, 'shape': (1000000000000, 3), }",
                       "{'descr': '|O', 'fortran_order': False, 'shape': (3, 3), }", "{" * 200])
    if head is None:
        head = f"{{'descr': '<f8', 'fortran_order': False, 'shape': {points.shape}, }}"
    text = head.encode().ljust(118) + b"\n"
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(text)) + text + points.tobytes()


SCANS: dict[str, Callable[[Random, np.ndarray], bytes]] = {
    "stl": _stl, "ply": _ply, "obj": _obj, "xyz": _xyz, "csv": _xyz, "npy": _npy}

VERBS = ["check", "run", "compare", "read", "show", "verify", "grades", "init", "try", "table",
         "study", "chekc", "", "--"]
FLAGS = ["--help", "--out", "--strategy", "--fresh", "--tolerance", "--thickness", "--workers",
         "--threads", "--step", "--unit", "--grade", "--json", "--strategies", "--nonsense", "-x"]
GIVEN = ["nan", "inf", "-1", "0", "1e999", "9" * 5000, "", " ", "x" * 300, "\x1b[31m", "\udcff",
         "/dev/null", "/dev/zero/x", "no/such/place", "..", ".", "\U0001f600", "a\nb", "$HOME",
         "crown-first", "mm", "3", "{}", "%s%n", "DC04", "case.yaml", "a\0b"]


def flags(rng: Random, here: Path) -> Tried:
    """Verbs with options and values that make no sense; a case that cannot be run is at hand."""
    (here / "case.yaml").write_text(SOUND.replace("thickness_mm: 0.8", "thickness_mm: 80"))
    argv = [rng.choice(VERBS)]
    for _ in range(rng.randrange(4)):
        argv.append(rng.choice([*FLAGS, *GIVEN, *GIVEN]))
    if argv[0] == "verify" and not {"--help", "--nonsense"} & set(argv):
        argv.insert(1, "no-such-problem")  # else it would solve them all
    if argv[0] == "init":
        argv.append("--nonsense")
    return ask("flags", argv)


def folder(rng: Random, here: Path) -> Tried:
    """A stored run or comparison that somebody has been at, given to `show`."""
    store = here / "run"
    write_stored(store, compared=rng.random() < 0.4, seed=rng.randrange(3))
    for _ in range(rng.choice([1, 1, 2])):
        files = sorted(p for p in store.rglob("*") if p.is_file() and not p.is_symlink())
        if not files:
            break
        rng.choice(DAMAGES)(rng, rng.choice(files), here)
    argv = ["show", str(store), "--out", str(here / "pictures")]
    before = set(map(str, store.rglob("*")))
    tried = ask("folder", argv)
    if not tried.fault and set(map(str, store.rglob("*"))) != before:
        return Tried("folder", tried.argv, tried.code, tried.said, "the folder was changed")
    return tried


def _spoil(rng: Random, file: Path, here: Path) -> None:
    file.write_bytes(spoiled(rng, file.read_bytes()))


def _gone(rng: Random, file: Path, here: Path) -> None:
    file.unlink()


def _other(rng: Random, file: Path, here: Path) -> None:
    """A pipe, a device, a folder, a link to somewhere else in its place."""
    file.unlink()
    act = rng.choice(["pipe", "folder", "link", "loop", "device", "sock"])
    if act == "pipe":
        os.mkfifo(file)
    elif act == "folder":
        file.mkdir()
    elif act == "loop":
        file.symlink_to(file)
    else:
        file.symlink_to({"link": "/etc/passwd", "device": "/dev/zero"}.get(act, "../nowhere"))


def _text(rng: Random, file: Path, here: Path) -> None:
    """Something else in its place."""
    file.write_text(rng.choice([
        "", "[" * 100_000, "{\"a\": " * 50_000, "null", "9" * 5000, "{}", "[]", "NaN", "a,b\n1\n",
        json.dumps({"format": 1, "kind": "run", "goal": {"tolerance_mm": float("nan")}}),
        json.dumps({"format": "9" * 5000}), "strategy,steps\n../../../etc,1\n",
        "step,operation,max_low_mm,max_high_mm\n" + "".join(f"{i},x,0,0\n" for i in range(10_000)),
        "\"" + "x" * 140_000]))


def _packed(rng: Random, file: Path, here: Path) -> None:
    """An archive that unpacks to far more than it is."""
    with open(file, "wb") as stream:
        np.savez_compressed(stream, x_mm=np.zeros(3_000_000), y_mm=np.zeros(3), d_mm=np.zeros(9))


def _unlisted(rng: Random, file: Path, here: Path) -> None:
    (file.parent / ".simkit").unlink(missing_ok=True)


DAMAGES = [_spoil, _spoil, _gone, _other, _text, _packed, _unlisted]

SORTS: dict[str, Sort] = {"case file": case_file, "table": table, "scan": scan, "flags": flags,
                          "folder": folder}
__all__ = ["ALLOWED", "SORTS"]
