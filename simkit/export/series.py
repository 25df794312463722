"""Time series for VTK viewers: one VTU file for each step and a PVD file that lists them."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np

from simkit.export.net import Net, State
from simkit.export.solids import store_mesh
from simkit.files import write_atomic


def write_series(net: Net, folder: Path) -> list[Path]:
    """Write folder/run.pvd and folder/step-NNNN.vtu for every step; time is the step's number.

    At points: deviation (mm), displacement (mm), normal. In cells: plastic strain, thinning (%),
    strain at the paint, residual stress (MPa).
    """
    root = ElementTree.Element("VTKFile", type="Collection", version="0.1")
    listed = ElementTree.SubElement(root, "Collection")
    files = []
    for state in net.states():
        name = f"step-{state.step:04d}.vtu"
        files.append(_write_vtu(state, folder / name))
        ElementTree.SubElement(listed, "DataSet", timestep=str(state.step), part="0", file=name)
    ElementTree.indent(root)
    files.insert(0, folder / "run.pvd")
    write_atomic(files[0], ElementTree.tostring(root, encoding="utf-8", xml_declaration=True))
    return files


def _write_vtu(state: State, path: Path) -> Path:
    import meshio

    cells = {name: [np.asarray(values)] for name, values in state.maps().items()}
    mesh = meshio.Mesh(
        state.points_mm(), [("quad", state.net.cells)],
        point_data={"deviation_mm": state.d_mm, "displacement_mm": state.moved_mm,
                    "normal": state.grid.normals.reshape(-1, 3)},
        cell_data=cells)
    return store_mesh(mesh, path)
