"""Maps of the sheet's state: plastic strain, strain at the paint, residual stress, thinning."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simkit.record.read import RunRecord
from simkit.show.maps import ASPECT
from simkit.show.region import Region, zoom
from simkit.show.style import OUTSIDE, new_figure, place, title
from simkit.show.surface import Array, RecordedSurface, read_sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MAPS = (  # name in the record, heading, unit, factor
    ("plastic_strain", "Plastic strain", "%", 100.0),
    ("paint_strain", "Strain at the paint", "%", 100.0),
    ("residual_outer_MPa", "Residual stress, outer layer", "MPa", 1.0),
    ("thinning_pct", "Thinning = growth of area", "%", 1.0),
)
COLOURS = "cividis"


def sheet_figure(record: RunRecord, step: int | None = None) -> Figure:
    """Four quantities of the sheet: above for the dent, below after a step, one scale per column.

    Every cell is one finite element. Plastic strain is the largest through the thickness; residual
    stress is the von Mises stress of the outermost layer without a tool on the panel.
    """
    number = record.step_index(step)
    sheet = read_sheet(record)
    states = [("The dent", sheet.maps(0))]
    if number > 0:
        states.append((f"After {number} step{'s' if number > 1 else ''}", sheet.maps(number)))
    window = zoom(record.fields, record.tolerance_mm, ASPECT)
    wide = 2.85
    tall = wide / ASPECT
    fig = new_figure(1.1 + 4 * (wide + 0.2), 2.35 + len(states) * (tall + 0.15))
    title(fig, "What is in the sheet", record.title, left_in=1.1)
    for column, (key, name, unit, factor) in enumerate(MAPS):
        left = 1.1 + column * (wide + 0.2)
        values = [factor * maps[key] for _, maps in states]
        limits = _limits(values)
        for row, (when, _) in enumerate(states):
            ax = place(fig, left, 1.3 + (len(states) - 1 - row) * (tall + 0.15), wide, tall)
            image = draw_elements(ax, sheet, values[row], window, limits)
            ax.text(0.025, 0.965, f"largest {values[row].max():.3g} {unit}", va="top",
                    transform=ax.transAxes, fontsize=9, color="white")
            ax.tick_params(labelleft=column == 0, labelbottom=row == len(states) - 1)
            if row == 0:
                ax.set_title(name, fontsize=11)
            if column == 0:
                ax.set_ylabel(f"{when}\ny (mm)")
            if row == len(states) - 1:
                ax.set_xlabel("x (mm)")
        bar = fig.colorbar(image, cax=place(fig, left, 0.62, wide, 0.13),
                           orientation="horizontal")
        bar.set_label(f"{name.split(',')[0].lower()} ({unit})", fontsize=9.5)
    return fig


def draw_elements(ax: Axes, sheet: RecordedSurface, values: Array, window: Region,
                  limits: tuple[float, float]) -> Any:
    """Colour every element (elements in u, in v) by its value, in plan, equal aspect."""
    u, v = sheet.patch.basis_u.breaks, sheet.patch.basis_v.breaks
    corners = sheet.grid(u, v).points_mm
    image = ax.pcolormesh(corners[..., 0], corners[..., 1], values.T, cmap=COLOURS,
                          vmin=limits[0], vmax=limits[1], rasterized=True)
    ax.set_facecolor(OUTSIDE)
    ax.set_aspect("equal")
    ax.set_xlim(window.x0, window.x1)
    ax.set_ylim(window.y0, window.y1)
    for spine in ax.spines.values():
        spine.set_visible(True)
    return image


def _limits(values: list[Array]) -> tuple[float, float]:
    low = min(0.0, *(float(v.min()) for v in values))
    high = max(float(v.max()) for v in values)
    return low, high if high > low else low + 1.0
