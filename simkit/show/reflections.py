"""Reflection lines and isophotes of stored steps: before, after, step by step, side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from simkit.optics.bench import Bench, Pose, make_bench
from simkit.optics.reflect import (
    isophote,
    lamp_coordinate,
    line_shift_mm,
    slope_error_mrad,
    stripes,
)
from simkit.record.read import ComparisonRecord, RunRecord
from simkit.show.region import Region, deepest, zoom
from simkit.show.style import GREY, INK, new_figure, place, shorten, title
from simkit.show.surface import Array, Grid, RecordedSurface, read_sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ASPECT, MARGIN, POINTS = 1.25, 1.35, 520
ISOPHOTE_BANDS = 14
"""Approximate number of isophote bands on the undamaged part that is shown."""
MOST_STEPS = 12
PAINT, LAMP = np.array([22, 30, 41]) / 255.0, np.array([255, 253, 245]) / 255.0


@dataclass(frozen=True)
class View:
    """A run's panel with eye and lamps: the data that all its pictures share."""

    record: RunRecord
    sheet: RecordedSurface
    bench: Bench
    window: Region
    u: Array
    v: Array
    plain: Grid

    def at(self, step: int) -> Look:
        """The panel after a step."""
        return self.of(self.sheet.moved(step))

    def of(self, moved_mm: Array | None) -> Look:
        """The panel with displaced control points; None: undamaged."""
        grid = self.plain if moved_mm is None else self.sheet.grid(self.u, self.v, moved_mm)
        here = lamp_coordinate(grid.points_mm, grid.normals, self.bench)
        before = lamp_coordinate(self.plain.points_mm, self.plain.normals, self.bench)
        shift = np.abs(line_shift_mm(here, before, self.plain.points_mm))
        return Look(self, grid, here, shift, slope_error_mrad(grid.normals, self.plain.normals))


@dataclass(frozen=True)
class Look:
    """Lamp coordinates (nv, nu) of one state, shifts of its reflected lines, and slope errors."""

    view: View
    grid: Grid
    coordinate_mm: Array
    shift_mm: Array
    slope_mrad: Array

    def lines(self) -> Array:
        """Brightness of the reflected lamp lines, 0 to 1."""
        return stripes(self.coordinate_mm, self.view.bench.spacing_mm, self.view.bench.lit)

    def isophotes(self) -> tuple[Array, float]:
        """Bands of equal angle to the light, 0 to 1, and the angle of a pair of bands, mrad."""
        light = -self.view.bench.facing
        angle = 1000.0 * np.arccos(np.clip(isophote(self.grid.normals, light), -1.0, 1.0))
        plain = 1000.0 * np.arccos(np.clip(isophote(self.view.plain.normals, light), -1.0, 1.0))
        # the width of a band is rounded to 1, 2 or 5 times a power of ten
        step = max(float(np.ptp(plain)) / ISOPHOTE_BANDS, 1.0)
        nice = 10.0 ** math.floor(math.log10(step))
        step = nice * min((1, 2, 5, 10), key=lambda k: abs(k * nice - step))
        return stripes(angle, step, 0.5), step

    def numbers(self) -> dict[str, float]:
        """Largest line shift (mm) and slope error (mrad), and the area (mm^2) of visible shift."""
        x, y = self.view.plain.points_mm[..., 0], self.view.plain.points_mm[..., 1]
        cell = float(np.mean(np.diff(x, axis=1))) * float(np.mean(np.diff(y, axis=0)))
        seen = self.shift_mm > self.view.bench.seen_mm
        return {"line_shift_mm": float(np.nanmax(self.shift_mm)),
                "slope_error_mrad": float(self.slope_mrad.max()),
                "seen_from_mm": self.view.bench.seen_mm,
                "seen_area_mm2": float(np.count_nonzero(seen)) * cell}

    def verdict(self) -> str:
        """The numbers and their meaning in two lines."""
        n = self.numbers()
        seen = n["line_shift_mm"] > n["seen_from_mm"]
        where = (f"seen on {_area(n['seen_area_mm2'])}" if seen else "not seen")
        return (f"lines off by up to {_short(n['line_shift_mm'])} mm: {where}\n"
                f"slope off by up to {_short(n['slope_error_mrad'])} mrad at a point")


def open_view(record: RunRecord, pose: Pose, points: int = POINTS) -> View:
    """Set up eye and lamps in front of a run's dent; InputError if no surface is recorded."""
    sheet = read_sheet(record)
    inner = zoom(record.fields, record.tolerance_mm, ASPECT)
    window = _wider(inner, record)
    u, v = sheet.lines(window, points)
    row, column = deepest(record.fields[0])
    at_u, at_v, _ = sheet.patch.locate(record.fields[0].x_mm[[column]],
                                       record.fields[0].y_mm[[row]])
    target = sheet.grid(at_u, at_v)
    bench = make_bench(pose, target.points_mm[0, 0], target.normals[0, 0])
    return View(record, sheet, bench, window, u, v, sheet.grid(u, v))


def reflection_figure(view: View, step: int | None = None) -> Figure:
    """Reflected lines (above) and isophotes (below): undamaged, dented, and after a step."""
    number = view.record.step_index(step)
    looks = [("Undamaged", view.of(None)), ("The dent", view.at(0))]
    if number > 0:
        looks.append((f"After {number} step{'s' if number > 1 else ''}", view.at(number)))
    wide, tall = 4.0, 4.0 / ASPECT
    fig = new_figure(0.75 + len(looks) * (wide + 0.2) + 0.1, 2 * tall + 3.05)
    title(fig, f"Reflections: {view.record.title}", view.bench.words())
    for column, (name, look) in enumerate(looks):
        left = 0.75 + column * (wide + 0.2)
        bands, pair = look.isophotes()
        for bottom, image in ((tall + 1.75, look.lines()), (0.65, bands)):
            ax = place(fig, left, bottom, wide, tall)
            _paint(ax, view, image)
            ax.tick_params(labelleft=column == 0, labelbottom=bottom < 1.0)
            if column == 0:
                ax.set_ylabel("y (mm)")
            if bottom < 1.0:
                ax.set_xlabel("x (mm)")
            else:
                ax.set_title(name)
        fig.text(left / fig.get_figwidth(), (tall + 1.68) / fig.get_figheight(),
                 look.verdict() if column else _meaning(view.bench), va="top", fontsize=9.5,
                 color=INK if column else "#555555", linespacing=1.35)
    fig.text(0.75 / fig.get_figwidth(), (tall + 0.78) / fig.get_figheight(), va="center",
             s=f"Isophotes: equal angle to the lamps, one pair of bands every {pair:g} mrad",
             fontsize=10.5, fontweight="bold")
    return fig


def steps_figure(view: View) -> Figure:
    """Reflected lines after every step, or after twelve steps spread over the repair."""
    last = view.record.last
    shown = sorted({round(k) for k in np.linspace(0, last, min(last + 1, MOST_STEPS))})
    looks = []
    for number in shown:
        step = view.record.steps[number]
        name = "The dent" if number == 0 else f"{number}: {step.operation} {step.tool}"
        looks.append((name, view.at(number)))
    return _many(view, looks, "Reflections, step by step",
                 f"{view.record.title} \u00b7 {view.record.strategy}")


def side_by_side_figure(record: ComparisonRecord, pose: Pose) -> Figure:
    """Reflected lines of the dent and after each strategy, with the same eye, lamps and window."""
    views = [open_view(run, pose, 320) for run in record.runs.values()]
    x0, x1 = min(v.window.x0 for v in views), max(v.window.x1 for v in views)
    y0, y1 = min(v.window.y0 for v in views), max(v.window.y1 for v in views)
    looks = [("The dent", views[0].at(0))]
    looks += [(f"{name}, {run.last} steps", view.at(run.last))
              for (name, run), view in zip(record.runs.items(), views, strict=True)]
    return _many(views[0], looks, "What each strategy leaves, in the mirror", record.title,
                 Region(x0, x1, y0, y1))


class Screen:
    """Figure of a movie that is updated for every frame."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.figure = new_figure(6.4, 5.7)
        ax = place(self.figure, 0.1, 0.1, 6.2, 6.2 / ASPECT)
        self._image = _paint(ax, view, view.of(None).lines())
        ax.axis("off")
        self._words = self.figure.text(0.1 / 6.4, 5.35 / 5.7, "", fontsize=12, fontweight="bold",
                                       va="center")

    def show(self, moved_mm: Array, words: str) -> None:
        """Show a state of the panel."""
        colours = _colours(self.view.of(moved_mm).lines())
        if hasattr(self._image, "set_data"):
            self._image.set_data(colours)
        else:
            self._image.set_array(colours)
        self._words.set_text(words)


def _many(view: View, looks: Sequence[tuple[str, Look]], heading: str, under: str,
          window: Region | None = None) -> Figure:
    columns = min(4, len(looks))
    rows = math.ceil(len(looks) / columns)
    wide = 3.0
    tall = wide / ASPECT
    fig = new_figure(0.7 + columns * (wide + 0.15) + 0.1, 1.2 + rows * (tall + 1.0))
    title(fig, heading, f"{under} \u00b7 {view.bench.words()}", left_in=0.7)
    for k, (name, look) in enumerate(looks):
        row, column = divmod(k, columns)
        left = 0.7 + column * (wide + 0.15)
        bottom = 1.0 + (rows - 1 - row) * (tall + 1.0)
        ax = place(fig, left, bottom, wide, tall)
        _paint(ax, look.view, look.lines(), window)
        ax.set_title(shorten(name, 34), fontsize=10.5)
        ax.tick_params(labelleft=False, labelbottom=False, length=0)
        fig.text(left / fig.get_figwidth(), (bottom - 0.07) / fig.get_figheight(), look.verdict(),
                 va="top", fontsize=9, linespacing=1.3)
    fig.text(0.7 / fig.get_figwidth(), 0.25 / fig.get_figheight(),
             _meaning(view.bench).replace("\n", " "), fontsize=9, color="#555555", va="center")
    return fig


def _paint(ax: Axes, view: View, brightness: Array, window: Region | None = None) -> Any:
    """Bright and dark stripes on the panel's plan, equal aspect."""
    part = window or view.window
    colours = _colours(brightness)
    x, y = view.plain.points_mm[..., 0], view.plain.points_mm[..., 1]
    if max(np.ptp(x, axis=0).max(), np.ptp(y, axis=1).max()) < 1e-6:
        image: Any = ax.imshow(
            colours, origin="lower", extent=(x[0, 0], x[0, -1], y[0, 0], y[-1, 0]),
            aspect="equal", interpolation="antialiased")
    else:
        image = ax.pcolormesh(x, y, colours, shading="nearest", rasterized=True)
        ax.set_aspect("equal")
    ax.set_facecolor("#e4e4e4")
    ax.set_xlim(part.x0, part.x1)
    ax.set_ylim(part.y0, part.y1)
    for spine in ax.spines.values():
        spine.set(visible=True, color=GREY)
    return image


def _colours(brightness: Array) -> Array:
    return PAINT + brightness[..., None] * (LAMP - PAINT)


def _meaning(bench: Bench) -> str:
    return (f"From {bench.eye_distance_mm:.0f} mm a line counts as seen to be off\n"
            f"from {_short(bench.seen_mm)} mm on (0.5 mm at 1 m, a working rule). A stage is\n"
            "judged by the slope over a base: less than at a point")


def _wider(inner: Region, record: RunRecord) -> Region:
    """A larger window inside the panel, which also shows undisturbed lines."""
    field = record.fields[0]
    cx, cy = 0.5 * (inner.x0 + inner.x1), 0.5 * (inner.y0 + inner.y1)
    half = 0.5 * MARGIN * (inner.y1 - inner.y0)
    half = min(half, 0.5 * (field.y_mm[-1] - field.y_mm[0]),
               0.5 * (field.x_mm[-1] - field.x_mm[0]) / ASPECT)
    cx = float(np.clip(cx, field.x_mm[0] + ASPECT * half, field.x_mm[-1] - ASPECT * half))
    cy = float(np.clip(cy, field.y_mm[0] + half, field.y_mm[-1] - half))
    return Region(cx - ASPECT * half, cx + ASPECT * half, cy - half, cy + half)


def _short(value: float) -> str:
    """Two significant digits without an exponent."""
    if value >= 10.0:
        return f"{value:.0f}"
    return f"{value:.1f}" if value >= 1.0 else f"{value:.2g}"


def _area(mm2: float) -> str:
    return f"{mm2 / 100.0:.0f} cm\u00b2" if mm2 >= 1000.0 else f"{mm2:.0f} mm\u00b2"
