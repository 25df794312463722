"""The sheet after one step as a surface for other programs: STL, PLY, VTK, coloured glTF."""

from __future__ import annotations

import json
import struct
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from simkit.errors import InputError
from simkit.export.net import Array, State
from simkit.files import write_atomic
from simkit.show.style import colour_limit, colour_scale

FORMATS = ("stl", "ply", "vtk", "glb")
FLOAT, INDEX, VERTICES, ELEMENTS = 5126, 5125, 34962, 34963


def write_solid(state: State, path: Path, exaggerate: float = 1.0) -> list[Path]:
    """Write the surface by its ending: .stl, .ply, .vtk (mm) or .glb (glTF 2.0, metres).

    exaggerate : times by which displacements are enlarged.
    """
    kind = path.suffix.lstrip(".")
    if kind == "glb":
        write_atomic(path, _glb(state, exaggerate))
        return [path]
    import meshio

    mesh = meshio.Mesh(state.points_mm(exaggerate),
                       [("triangle", triangles_of(state).astype(np.int32))],
                       point_data={} if kind == "stl" else {"deviation_mm": state.d_mm})
    return [store_mesh(mesh, path, binary=True)]


def store_mesh(mesh: Any, path: Path, **options: Any) -> Path:
    """Write a meshio mesh completely or not at all; InputError if that is impossible."""
    kind = path.suffix.lstrip(".")
    try:
        # meshio writes to a path only; the finished file is then moved in one piece.
        with tempfile.TemporaryDirectory() as place:
            beside = Path(place) / path.name
            mesh.write(beside, file_format=kind, **options)
            data = beside.read_bytes()
        write_atomic(path, data)
    except OSError as error:
        raise InputError(f"cannot write here: {error.strerror}", "a folder that can be written",
                         str(path)) from error
    return path


def triangles_of(state: State) -> np.ndarray:
    """Each cell as two triangles, (2 n, 3), counter-clockwise seen from outside."""
    cells = state.net.cells
    return np.concatenate([cells[:, [0, 1, 2]], cells[:, [0, 2, 3]]])


def _glb(state: State, exaggerate: float) -> bytes:
    """Binary glTF 2.0: positions in metres, normals, colours of the deviation.

    The panel's z (outward) becomes glTF's y (up): (x, y, z) -> (x, z, -y), a rotation.
    """
    turn = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    points = (0.001 * state.points_mm(exaggerate) @ turn.T).astype("<f4")
    normals = (state.grid.normals.reshape(-1, 3) @ turn.T).astype("<f4")
    triangles = triangles_of(state).astype("<u4").ravel()
    parts = [(points, VERTICES), (normals, VERTICES), (_colours(state.d_mm), VERTICES),
             (triangles, ELEMENTS)]
    views, blob = [], b""
    for array, target in parts:
        # glTF requires 4-byte alignment of every part; padding is zero in data, spaces in JSON.
        data = array.tobytes()
        views.append({"buffer": 0, "byteOffset": len(blob), "byteLength": len(data),
                      "target": target})
        blob += data + b"\0" * (-len(data) % 4)
    count = len(points)
    accessors = [
        {"bufferView": 0, "componentType": FLOAT, "count": count, "type": "VEC3",
         "min": points.min(axis=0).tolist(), "max": points.max(axis=0).tolist()},
        {"bufferView": 1, "componentType": FLOAT, "count": count, "type": "VEC3"},
        {"bufferView": 2, "componentType": FLOAT, "count": count, "type": "VEC3"},
        {"bufferView": 3, "componentType": INDEX, "count": triangles.size, "type": "SCALAR"}]
    scene = {
        "asset": {"version": "2.0", "generator": "simkit"}, "scene": 0, "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": f"{state.net.record.title}, step {state.step}"}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0, "NORMAL": 1, "COLOR_0": 2},
                                    "indices": 3, "material": 0}]}],
        "materials": [{"doubleSided": True, "pbrMetallicRoughness": {
            "metallicFactor": 0.1, "roughnessFactor": 0.5}}],
        "accessors": accessors, "bufferViews": views, "buffers": [{"byteLength": len(blob)}]}
    text = json.dumps(scene).encode()
    text += b" " * (-len(text) % 4)
    # 12-byte header and two 8-byte chunk headers: 28 bytes besides the chunks.
    return (struct.pack("<4sII", b"glTF", 2, 28 + len(text) + len(blob))
            + struct.pack("<I4s", len(text), b"JSON") + text
            + struct.pack("<I4s", len(blob), b"BIN\0") + blob)


def _colours(d_mm: Array) -> np.ndarray:
    """Linear RGB of the usual colours (sRGB decoded, IEC 61966-2-1)."""
    colours, norm = colour_scale(colour_limit(d_mm))
    srgb = np.asarray(colours(norm(d_mm)))[:, :3]
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    return linear.astype("<f4")
