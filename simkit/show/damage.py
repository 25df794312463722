"""Pictures of a stored damage reading and of its scan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from simkit.errors import InputError
from simkit.files import Damaged, load_arrays, read_back
from simkit.record.read import Field, read_json
from simkit.show.maps import Box, label
from simkit.show.region import Region
from simkit.show.setting import draw_behind
from simkit.show.style import (
    CROWN,
    GREY,
    HIGH,
    INK,
    LOW,
    OUTSIDE,
    colour_limit,
    colour_scale,
    look,
    new_figure,
    place,
    save,
    signed,
    signed_whole,
    title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CREASE, AREA = "#6a3d9a", "#4d9221"
MOST_MARKED = 8
WIDE, TALL, CLOSED_MM = 7.4, 5.9, 10.0


def draw_reading(folder: Path) -> list[Path]:
    """Draw reading.png and, for a scan, scan.png; returns the files."""
    info = read_json(folder / "reading.json", "reading")
    with look():
        files = [save(reading_figure(info, _arrays(folder / "reading.npz")),
                      folder / "reading.png")]
        if (folder / "scan.json").exists():
            facts = read_json(folder / "scan.json", "scan")
            files.append(save(scan_figure(facts, _arrays(folder / "scan.npz")),
                              folder / "scan.png"))
    return files


def _arrays(path: Path) -> dict[str, np.ndarray]:
    try:
        return load_arrays(read_back(path))
    except (OSError, Damaged) as error:
        raise InputError("damaged or missing", "read the damage again", str(path)) from error


def reading_figure(info: dict[str, Any], arrays: dict[str, np.ndarray]) -> Figure:
    """Map of the deviation with marks on all that was found, and sections through the worst spot.
    """
    field = Field(arrays["x_mm"], arrays["y_mm"], arrays["d_mm"])
    window = Region(field.x_mm[0], field.x_mm[-1], field.y_mm[0], field.y_mm[-1])
    fig = new_figure(14.2, 7.6)
    title(fig, f"Damage: {info['title']}", f"{info['source']} · marks beyond "
          f"{info['tolerance_mm']:.2g} mm")
    aspect = (window.x1 - window.x0) / (window.y1 - window.y0)
    wide, tall = (WIDE, WIDE / aspect) if aspect > WIDE / TALL else (TALL * aspect, TALL)
    ax = place(fig, 0.8 + 0.5 * (WIDE - wide), 0.75 + 0.5 * (TALL - tall), wide, tall)
    limit = colour_limit(field.d_mm)
    image = _map(ax, field, limit)
    ax.set_xlabel("x (mm)")
    ax.set_ylabel("y (mm)")
    bar = fig.colorbar(image, cax=place(
        fig, 0.8 + 0.5 * (WIDE + wide) + 0.12, 0.75 + 0.5 * (TALL - tall), 0.18, tall))
    bar.set_label("deviation d (mm)    low < 0 < high")
    _areas(ax, arrays)
    reach = info["reach"] if isinstance(info["reach"], list) else []
    draw_behind(ax, info["supports"], reach, window)
    _creases(ax, info)
    _spots(ax, info, window)
    _sections(fig, field, info)
    _legend(fig, info)
    return fig


def _map(ax: Axes, field: Field, limit: float) -> Any:
    colours, norm = colour_scale(limit)
    dx = 0.5 * (field.x_mm[1] - field.x_mm[0])
    dy = 0.5 * (field.y_mm[1] - field.y_mm[0])
    image = ax.imshow(np.ma.masked_invalid(field.d_mm), cmap=colours, norm=norm, origin="lower",
                      extent=(field.x_mm[0] - dx, field.x_mm[-1] + dx, field.y_mm[0] - dy,
                              field.y_mm[-1] + dy), aspect="equal", interpolation="nearest")
    ax.set_facecolor(OUTSIDE)
    for spine in ax.spines.values():
        spine.set_visible(True)
    return image


def _areas(ax: Axes, arrays: dict[str, np.ndarray]) -> None:
    areas = arrays["areas"]
    rounds = max(2, round(CLOSED_MM / float(arrays["x_mm"][1] - arrays["x_mm"][0])))
    for k in range(1, int(areas.max()) + 1):
        whole = np.pad(areas == k, rounds)
        whole = ndimage.binary_closing(whole, iterations=rounds)[rounds:-rounds, rounds:-rounds]
        whole = ndimage.binary_fill_holes(whole)
        ax.contour(arrays["x_mm"], arrays["y_mm"], whole.astype(float), levels=[0.5],
                   colors=[AREA], linewidths=1.1)


def _creases(ax: Axes, info: dict[str, Any]) -> None:
    for crease in info["creases"][:MOST_MARKED]:
        line = np.array(crease["line"])
        if crease["closed"]:
            line = np.vstack([line, line[:1]])
        ax.plot(line[:, 0], line[:, 1], color="white", lw=3.2, solid_capstyle="round")
        ax.plot(line[:, 0], line[:, 1], color=CREASE, lw=1.8,
                ls="-" if crease["kind"] == "valley" else (0, (5, 1.5)))
    for spot in info["spots"]:
        if "crown" in spot and abs(spot["crown"]["height_mm"]) > info["tolerance_mm"]:
            ring = np.array(spot["crown"]["ring_mm"])
            ax.plot(ring[:, 0], ring[:, 1], ls="none", marker=".", ms=3.4, color=CROWN)


def _spots(ax: Axes, info: dict[str, Any], window: Region) -> None:
    """Draw markers first, then labels at places where they cover no marker."""
    spots = info["spots"][:MOST_MARKED]
    scale = (window.y1 - window.y0) / (ax.bbox.height / ax.figure.dpi)
    side = 0.18 * scale
    taken: list[Box] = [(s["x_mm"] - side / 2, s["y_mm"] - side / 2, side, side) for s in spots]
    texts = []
    for spot in spots:
        colour = LOW if spot["kind"] == "low" else HIGH
        mark = "v" if spot["kind"] == "low" else "^"
        for size, edge, thick in ((10.5, "white", 2.0), (8.0, colour, 1.6)):
            ax.plot(spot["x_mm"], spot["y_mm"], marker=mark, ms=size, mfc="white", mec=edge,
                    mew=thick, zorder=6)
        blocked = "" if spot.get("push", True) else ", no push"
        texts.append((f"{spot['label']}: {signed(spot['height_mm'])}{blocked}",
                      (spot["x_mm"], spot["y_mm"]), colour))
    for crease in info["creases"][:3]:
        sign = "<" if crease["blunted"] else ""
        texts.append((f"R {sign}{crease['sharpest_mm']:.1f}",
                      (crease["sharpest_xy_mm"][0], crease["sharpest_xy_mm"][1]), CREASE))
    for text, at, colour in texts:
        label(ax, text, at, taken, window, colour, 9.5)


def _sections(fig: Figure, field: Field, info: dict[str, Any]) -> None:
    """Sections along x and y through the worst spot."""
    if not info["spots"]:
        return
    worst = info["spots"][0]
    row = int(np.argmin(np.abs(field.y_mm - worst["y_mm"])))
    column = int(np.argmin(np.abs(field.x_mm - worst["x_mm"])))
    cuts = (("x", field.x_mm, field.d_mm[row], f"y = {signed_whole(field.y_mm[row])} mm", 4.4),
            ("y", field.y_mm, field.d_mm[:, column], f"x = {signed_whole(field.x_mm[column])} mm",
             1.35))
    low, high = float(np.nanmin(field.d_mm)), float(np.nanmax(field.d_mm))
    margin = 0.06 * (high - low)
    for name, along, d, at, bottom in cuts:
        ax = place(fig, 10.1, bottom, 3.7, 2.1)
        ax.axhspan(-info["tolerance_mm"], info["tolerance_mm"], color=AREA, alpha=0.22, lw=0)
        ax.axhline(0.0, color=GREY, lw=0.7)
        ax.plot(along, d, color=INK, lw=1.8)
        ax.set_xlim(along[0], along[-1])
        ax.set_ylim(low - margin, high + margin)
        ax.set_title(f"Along {name}, at {at}", fontsize=10.5)
        ax.set_xlabel(f"{name} (mm)")
        ax.set_ylabel("d (mm)")


def _legend(fig: Figure, info: dict[str, Any]) -> None:
    from matplotlib.lines import Line2D

    entries = [Line2D([], [], color=AREA, lw=1.1, label="area to work apart"),
               Line2D([], [], color=CROWN, ls="none", marker=".", label="crown")]
    kinds = {crease["kind"] for crease in info["creases"]}
    for kind, style in (("valley", "-"), ("ridge", (0, (5, 1.5)))):
        if kind in kinds:
            entries.append(Line2D([], [], color=CREASE, lw=1.8, ls=style, label=f"crease ({kind})"))
    fig.legend(handles=entries, loc="upper right", bbox_to_anchor=(13.8 / 14.2, 1 - 0.25 / 7.6),
               ncols=len(entries), handlelength=1.8, columnspacing=1.2)


def scan_figure(facts: dict[str, Any], arrays: dict[str, np.ndarray]) -> Figure:
    """Three maps of the scan: deviation, residual outside the damage, density of its points."""
    x, y, d = arrays["x_mm"], arrays["y_mm"], arrays["deviation_mm"]
    damage = arrays["damage"]
    wide = 3.9
    aspect = (x[-1] - x[0]) / (y[-1] - y[0])
    tall = min(wide / aspect, 4.2)
    fig = new_figure(15.4, tall + 1.75)
    title(fig, f"Scan {facts['file']}", f"{facts['kept']} points used, {facts['outliers']} left "
          f"out · noise {facts['noise_mm']:.3f} mm · {facts['reference']}")
    rest = np.where(damage, np.nan, d)
    near = max(4.0 * facts["reference_rms_mm"], 1e-3)
    density = np.where(arrays["count"] > 0, arrays["count"] / float(arrays["cell_mm"]) ** 2, np.nan)
    panels: list[tuple[str, np.ndarray, float | None, str]] = [
        ("Deviation", d, colour_limit(d), "d (mm)"),
        (f"Left outside the damage, {facts['reference_rms_mm']:.3f} mm rms", rest, near, "d (mm)"),
        ("Coverage, holes outlined", density, None, "points per mm²"),
    ]
    for k, (name, value, limit, unit) in enumerate(panels):
        left = 0.75 + 4.95 * k
        ax = place(fig, left, 0.6, wide, tall)
        if limit is None:
            image = ax.imshow(value, cmap="viridis", origin="lower", aspect="equal",
                              extent=(x[0], x[-1], y[0], y[-1]), interpolation="nearest",
                              vmin=0.0, vmax=float(np.nanpercentile(value, 99)))
            _outline(ax, arrays)
        else:
            image = _map(ax, Field(x, y, value), limit)
        if damage.any() and k < 2:
            ax.contour(x, y, damage.astype(float), levels=[0.5], colors=[INK], linewidths=0.8)
        ax.set_title(name, fontsize=11)
        ax.set_xlabel("x (mm)")
        if k == 0:
            ax.set_ylabel("y (mm)")
        else:
            ax.tick_params(labelleft=False)
        bar = fig.colorbar(image, cax=place(fig, left + wide + 0.08, 0.6, 0.12, tall))
        bar.set_label(unit, fontsize=9)
        bar.ax.tick_params(labelsize=8)
    return fig


def _outline(ax: Axes, arrays: dict[str, np.ndarray]) -> None:
    holes = (arrays["holes"] > 0).astype(float)
    if holes.any():
        ax.contour(arrays["cover_x_mm"], arrays["cover_y_mm"], holes, levels=[0.5], colors=["red"],
                   linewidths=1.2)
