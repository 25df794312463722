"""The child process that draws in 3-D: the panel in space, lamp lines, the tool on the panel.

Only :mod:`simkit.show.scene` starts it; its order is JSON on standard input.
"""

from __future__ import annotations

import importlib
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from simkit.optics.bench import Pose
from simkit.record.read import RunRecord, read_run
from simkit.show.reflections import LAMP, PAINT, View, open_view
from simkit.show.region import fine, zoom
from simkit.show.setting import footprint, read_setting
from simkit.show.style import DIVERGING, colour_limit, kind_of, symbol
from simkit.show.surface import Array
from simkit.words import one_line

POINTS, POINTS_OF_LAMPS = 240, 700
PLATE_MM, STEM_MM, LIFT_MM = 4.0, 45.0, 0.8
"""Drawn thickness of a tool's plate or nose, length of its stem, and its distance from the sheet,
which keeps it visible. These are not to scale, but the tool's outline is."""
NORMAL_WIDTH = 0.15
"""Drawn height of the dent as a share of the panel's length in y."""


@dataclass(frozen=True)
class Shape:
    """The surface of one state.

    Attributes
    ----------
    plain_mm, moved_mm : (nv, nu, 3) places on the undamaged panel, and displacements.
    normals : (nv, nu, 3) of the undamaged panel. lines : (nv, nu) brightness of lamp lines.
    """

    plain_mm: Array
    moved_mm: Array
    normals: Array
    lines: Array | None = None

    @property
    def d_mm(self) -> Array:
        """Deviation along the undamaged normal, low < 0."""
        return np.nan_to_num((self.moved_mm * self.normals).sum(axis=-1))

    def points_mm(self, times: float) -> Array:
        """Places with displacements multiplied by ``times``."""
        return np.nan_to_num(self.plain_mm + times * self.moved_mm)


def child() -> None:
    """Draw all pictures of the order into the folder named on the command line."""
    order, out = json.load(sys.stdin), Path(sys.argv[2])
    # Loaded by name: its stubs differ between versions and it is an optional extra.
    pyvista: Any = importlib.import_module("pyvista")
    stage = Stage(pyvista, read_run(Path(order["run"])), Pose(**order["pose"]),
                  tuple(order["size"]))
    for number, shot in enumerate(order["shots"]):
        stage.draw(**shot).screenshot(str(out / f"{number}.png"))


class Stage:
    """A run with camera and lights."""

    def __init__(self, pyvista: Any, record: RunRecord, pose: Pose,
                 size: tuple[int, int]) -> None:
        self.pyvista, self.record, self.pose, self.size = pyvista, record, pose, size
        self.outlines = read_setting(record.folder).outlines
        self.exact = (record.folder / "surface.npz").exists()
        self._views: dict[int, View] = {}

    def draw(self, kind: str, step: int, share: float, exaggerate: float | None) -> Any:
        """The plotter of one picture."""
        plotter = self.pyvista.Plotter(off_screen=True, window_size=self.size, lighting="none")
        plotter.set_background("white")
        if kind == "scene-lamps":
            shape, times = self._shape(step, share, POINTS_OF_LAMPS), 1.0
            self._mirror(plotter, shape)
        else:
            shape = self._shape(step, share, POINTS)
            times = self._times(shape) if exaggerate is None else exaggerate
            self._coloured(plotter, shape, times)
        tool = self._tool(plotter, shape, step, times, kind == "scene")
        plotter.add_text(self._words(kind, step, times, tool), color="black", viewport=True,
                         position=(0.012, 0.9), font_size=self._font())
        return plotter

    def _font(self) -> int:
        return 11 if self.size[0] > 1000 else 8

    def _view(self, points: int) -> View:
        if points not in self._views:
            self._views[points] = open_view(self.record, self.pose, points)
        return self._views[points]

    def _shape(self, step: int, share: float, points: int) -> Shape:
        """The sheet between the step before and a step, by ``share``. For old runs without a
        surface, the deviations are drawn over the plan."""
        if not self.exact:
            return self._over_plan(step, share)
        view = self._view(points)
        moved = view.sheet.moved(step)
        if share < 1.0:
            before = view.sheet.moved(step - 1)
            moved = before + share * (moved - before)
        look = view.of(moved)
        lines = look.lines() if points == POINTS_OF_LAMPS else None
        return Shape(view.plain.points_mm, look.grid.points_mm - view.plain.points_mm,
                     view.plain.normals, lines)

    def _over_plan(self, step: int, share: float) -> Shape:
        fields = self.record.fields
        window = zoom((fields[0], fields[step]), self.record.tolerance_mm, 1.25)
        x_mm, y_mm = np.meshgrid(*(lambda f: (f.x_mm, f.y_mm))(fine(fields[0], window, POINTS)))
        before, after = (fine(fields[k], window, POINTS).d_mm for k in (max(step - 1, 0), step))
        d_mm = before + share * (after - before)
        up = np.stack([np.zeros_like(d_mm), np.zeros_like(d_mm), np.ones_like(d_mm)], axis=-1)
        return Shape(np.stack([x_mm, y_mm, 0.0 * x_mm], axis=-1), up * d_mm[..., None], up)

    def _times(self, shape: Shape) -> float:
        depth = float(np.ptp(shape.plain_mm[..., 1]))
        return float(max(1, round(NORMAL_WIDTH * depth / self._limit())))

    def _limit(self) -> float:
        return colour_limit(*(field.d_mm for field in self.record.fields))

    def _coloured(self, plotter: Any, shape: Shape, times: float) -> None:
        # white lights only: VTK's default light is yellowish and would change the scale's colours
        plotter.add_light(self.pyvista.Light(light_type="headlight", intensity=0.5))
        plotter.add_light(self.pyvista.Light(position=(-300.0, 150.0, 250.0), intensity=0.55))
        surface = self._grid(shape, times)
        surface["deviation (mm)"] = shape.d_mm.ravel()
        bar = {"color": "black", "vertical": True, "fmt": "%+.1f", "position_x": 0.88,
               "position_y": 0.2, "height": 0.6, "label_font_size": 2 * self._font(),
               "title_font_size": 2 * self._font()}
        plotter.add_mesh(surface, scalars="deviation (mm)", cmap=DIVERGING,
                         clim=(-self._limit(), self._limit()), smooth_shading=True, specular=0.1,
                         ambient=0.3, scalar_bar_args=bar)
        # the camera is the same for every step, since it is set for the undamaged panel
        x0, x1, y0, y1, z0, z1 = self._grid(shape, 0.0).bounds
        middle = np.array([x0 + x1, y0 + y1, z0 + z1]) / 2.0
        reach = 1.1 * float(np.hypot(x1 - x0, y1 - y0))
        plotter.camera.position = tuple(middle + reach * np.array([0.28, -0.8, 0.6]))
        plotter.camera.focal_point = tuple(middle)
        plotter.camera.up = (0.0, 0.0, 1.0)
        plotter.camera.view_angle = 40.0

    def _mirror(self, plotter: Any, shape: Shape) -> None:
        """Lamp lines without other shading, seen from the eye for which they were computed."""
        surface = self._grid(shape, 1.0)
        shade = np.asarray(shape.lines)[..., None]
        colours = (255.0 * (PAINT + shade * (LAMP - PAINT))).round().astype(np.uint8)
        surface["lamps"] = colours.reshape(-1, 3)
        plotter.add_mesh(surface, scalars="lamps", rgb=True, lighting=False)
        bench = self._view(POINTS_OF_LAMPS).bench
        x0, x1, y0, y1 = surface.bounds[:4]
        wide = float(np.hypot(x1 - x0, y1 - y0))
        plotter.camera.position = tuple(bench.eye_mm)
        plotter.camera.focal_point = tuple(bench.target_mm)
        plotter.camera.up = (0.0, 1.0, 0.0)
        plotter.camera.view_angle = float(np.degrees(2.0 * np.arctan(
            0.36 * wide / bench.eye_distance_mm)))
        plotter.camera.clipping_range = (1.0, 10.0 * bench.eye_distance_mm)

    def _grid(self, shape: Shape, times: float) -> Any:
        points = shape.points_mm(times)
        return self.pyvista.StructuredGrid(points[..., 0].T[..., None], points[..., 1].T[..., None],
                                           points[..., 2].T[..., None])

    def _tool(self, plotter: Any, shape: Shape, number: int, times: float, whole: bool) -> bool:
        """Draw the step's tool on the sheet; for a push from behind, its outline and an arrow
        outwards. Returns whether a tool is drawn.

        whole : if False, draw the outline only, which hides nothing.
        """
        step = self.record.steps[number]
        outline = footprint(step, self.outlines)
        if outline is None:
            return False
        points = shape.points_mm(times).reshape(-1, 3)
        nearest = cKDTree(shape.plain_mm.reshape(-1, 3)[:, :2]).query(
            np.vstack([(step.x_mm, step.y_mm), outline]))[1]
        normal = shape.normals.reshape(-1, 3)[nearest[0]]
        at, rim = points[nearest[0]], points[nearest[1:]] + LIFT_MM * normal
        colour = symbol(step.operation)[1]
        plotter.add_mesh(self.pyvista.lines_from_points(rim), color=colour, line_width=4)
        if not whole:
            return True
        if kind_of(step.operation) == "push":
            parts = [self.pyvista.Arrow(start=at, direction=normal, scale=STEM_MM)]
        else:
            flat = np.column_stack([outline - (step.x_mm, step.y_mm), np.zeros(len(outline))])
            foot = at + LIFT_MM * normal + flat[:-1] @ _turned_to(normal).T
            face = self.pyvista.PolyData(foot, faces=[len(foot), *range(len(foot))])
            parts = [face.triangulate().extrude(PLATE_MM * normal, capping=True),
                     self.pyvista.Cylinder(center=at + (PLATE_MM + STEM_MM / 2) * normal,
                                           direction=normal, radius=4.0, height=STEM_MM)]
        for part in parts:
            plotter.add_mesh(part, color=colour, ambient=0.6, opacity=0.8)
        return True

    def _words(self, kind: str, step: int, times: float, tool: bool) -> str:
        name = one_line(self.record.title, 80)
        row = self.record.steps[step]
        done = ("The dent" if step == 0 else
                f"After step {step}: {row.operation} {row.tool}"
                + _how(row.operation, tool, kind == "scene"))
        if kind == "scene-lamps":
            bench = self._view(POINTS_OF_LAMPS).bench
            return f"{name}\n{done}\ntrue shape, {bench.words()}"
        sizes = "true size" if times == 1.0 else f"displacements x {times:g}"
        return f"{name}\n{done}\n{sizes}"


def _how(operation: str, tool: bool, whole: bool) -> str:
    if not tool:
        return ""
    if kind_of(operation) == "push":
        return ", from behind at the outline"
    return ", the tool shown where it worked" if whole else " at the outline"


def _turned_to(normal: Array) -> Array:
    """Rotation (3, 3) by the smallest angle that turns the z axis into a unit normal."""
    return np.asarray(Rotation.align_vectors(normal, (0.0, 0.0, 1.0))[0].as_matrix())
