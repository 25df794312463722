"""Common style of all pictures: colours, fonts, symbols, number format, and saving.

matplotlib is imported inside the functions, so that the command line starts without it.
"""

from __future__ import annotations

import contextlib
import io
import os
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simkit.errors import InputError
from simkit.files import write_atomic
from simkit.folders import digests_of, home_of
from simkit.underway import beat
from simkit.words import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap, Normalize
    from matplotlib.figure import Figure

DPI = 130
DIVERGING = "RdBu_r"  # blue lows, white zero, red highs; same lightness on both sides
LOW, HIGH, CROWN = "#2166ac", "#b2182b", "#e08214"
BAND, INK, GREY, OUTSIDE = "#4d9221", "#222222", "#7a7a7a", "#e4e4e4"
# Okabe and Ito's colour-blind-safe set, without its yellow (too pale for lines on white).
STRATEGY_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000")
UNDATED: dict[str, dict[str, Any]] = {
    "png": {"Software": None}, "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None}}
KINDS = {  # symbol and colour of each kind of operation: up, up from behind, down
    "pull": ("^", "#6a3d9a"),
    "push": ("D", "#1b7f79"),
    "tap-down": ("v", "#a6611a"),
}
OTHER_KIND = ("o", GREY)

LOOK: dict[str, Any] = {
    "text.parse_math": False,  # a dollar in a title is a dollar
    "axes.titlepad": 7, "font.size": 10.5, "font.family": "DejaVu Sans", "axes.titlesize": 12,
    "axes.titleweight": "bold", "axes.titlelocation": "left", "axes.labelsize": 10.5,
    "axes.edgecolor": "#555555", "axes.linewidth": 0.8, "axes.spines.top": False,
    "axes.spines.right": False, "axes.grid": False, "text.color": INK,
    "axes.labelcolor": INK, "xtick.color": "#444444", "ytick.color": "#444444",
    "xtick.labelsize": 9.5, "ytick.labelsize": 9.5, "legend.frameon": False,
    "legend.fontsize": 9.5, "figure.facecolor": "white", "axes.axisbelow": True,
}


@contextlib.contextmanager
def look(kind: str = "png") -> Iterator[None]:
    """Draw in simkit's style, independent of the user's matplotlib settings.

    kind : format in which `save` writes: png, svg or pdf.
    """
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        for key, value in LOOK.items():
            mpl.rcParams[key] = value  # type: ignore[literal-required, index, unused-ignore]
        mpl.rcParams["savefig.format"] = kind
        mpl.rcParams["svg.hashsalt"] = "simkit"
        yield


def new_figure(width_in: float, height_in: float) -> Figure:
    """Empty figure of fixed size, without pyplot (no window, no state between pictures)."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), dpi=DPI)


def place(fig: Figure, left: float, bottom: float, width: float, height: float,
          **kwargs: Any) -> Axes:
    """Axes with a position in inches from the figure's lower left corner."""
    w, h = fig.get_size_inches()
    return fig.add_axes((left / w, bottom / h, width / w, height / h), **kwargs)


def title(fig: Figure, text: str, under: str = "", left_in: float = 0.75) -> None:
    """Heading of a picture with a smaller line under it."""
    w, h = fig.get_size_inches()
    text, under = (shorten(one_line(part), int(rate * w))
                   for part, rate in ((text, 6.6), (under, 9.5)))
    fig.text(left_in / w, 1 - 0.36 / h, text, fontsize=15, fontweight="bold", va="center")
    if under:
        fig.text(left_in / w, 1 - 0.69 / h, under, fontsize=10.5, color="#555555", va="center")


def shorten(text: str, most: int) -> str:
    """Text cut to a number of characters, with an ellipsis if something is omitted."""
    return text if len(text) <= most else text[:most - 1].rstrip() + "\u2026"


def colour_limit(*fields: np.ndarray) -> float:
    """Limit of a symmetric colour scale, mm: largest |d| of all fields, rounded up to two digits.
    """
    largest = max(float(np.nanmax(np.abs(field))) for field in fields)
    if largest <= 0.0:
        return 1.0
    # unit of the second significant digit; 1e-9 keeps an exact value from being rounded up
    unit = 10.0 ** (np.floor(np.log10(largest)) - 1)
    return float(np.round(np.ceil(largest / unit - 1e-9) * unit, 12))


def colour_scale(limit_mm: float) -> tuple[Colormap, Normalize]:
    """Linear diverging colours from -limit to +limit: zero is white, exactly in the middle."""
    import matplotlib as mpl
    from matplotlib.colors import Normalize

    colours = mpl.colormaps[DIVERGING].with_extremes(bad=OUTSIDE)
    return colours, Normalize(-limit_mm, limit_mm)


def plate() -> dict[str, Any]:
    """White background of a text, so that it is legible on any colour of a map."""
    return {"boxstyle": "round,pad=0.18", "fc": "white", "ec": "none", "alpha": 0.9}


def tolerance_band(ax: Axes, tolerance_mm: float, upright: bool = False) -> None:
    """Shade +-tolerance and draw the zero line: of the y axis, or of the x axis if ``upright``."""
    span, line = (ax.axvspan, ax.axvline) if upright else (ax.axhspan, ax.axhline)
    span(-tolerance_mm, tolerance_mm, color=BAND, alpha=0.22, lw=0)
    line(0.0, color=GREY, lw=0.7)


def name_band(ax: Axes, tolerance_mm: float) -> None:
    """Write the tolerance under the left end of its band."""
    ax.annotate(f"tolerance \u00b1{tolerance_mm:g} mm", (0.006, -tolerance_mm), (0, -4),
                xycoords=("axes fraction", "data"), textcoords="offset points", fontsize=9,
                color="#3d7418", va="top")


def whole_numbers(ax: Axes) -> None:
    """Ticks of the x axis at whole numbers only."""
    from matplotlib.ticker import MaxNLocator

    ax.xaxis.set_major_locator(MaxNLocator(6, integer=True))


def height_in(ax: Axes) -> float:
    """Height of axes on paper, inches."""
    return float(ax.bbox.height) / DPI


def signed(value_mm: float, digits: int = 2) -> str:
    """A deviation with its sign, a true minus, and no minus before zero."""
    text = f"{value_mm:+.{digits}f}"
    if float(text) == 0.0:
        return f"{0:.{digits}f}"
    return text.replace("-", "\u2212")


def signed_whole(value_mm: float) -> str:
    """A place in whole mm with a true minus and no plus."""
    return f"{round(value_mm):d}".replace("-", "\u2212")


def kind_of(operation: str) -> str:
    """Kind of an operation as recorded: pull, push, tap-down, or the recorded word itself."""
    word = operation.strip().lower().replace("_", "-").replace(" ", "-")
    return "tap-down" if word in ("tap", "tapdown", "tap-down") else word


def symbol(operation: str) -> tuple[str, str]:
    """Marker and colour for an operation."""
    return KINDS.get(kind_of(operation), OTHER_KIND)


def save(fig: Figure, path: Path) -> Path:
    """Write a picture completely or not at all; equal pictures give equal bytes.

    The format is that of `look` (PNG without it), with the matching ending. The file contains no
    date and no version. InputError if it cannot be written, or if the folder is simkit's and holds
    a file of this name that is not simkit's.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    beat(f"drawing {path.name}")
    FigureCanvasAgg(fig)
    kind = mpl.rcParams["savefig.format"]
    path = path.with_suffix(f".{kind}")
    picture = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of characters that the font does not have
        fig.savefig(picture, format=kind, dpi=DPI, metadata=UNDATED[kind])
    return store(picture.getvalue(), path)


def store(picture: bytes, path: Path) -> Path:
    """Write a picture; `InputError` as in `save`."""
    home = home_of(path)
    if home is not None and os.path.lexists(path) and home[1] not in (digests_of(home[0]) or {}):
        raise InputError("would be overwritten, but is not simkit's", "another folder for --out",
                         str(path))
    try:
        write_atomic(path, picture)
    except OSError as err:
        raise InputError(f"cannot write the picture ({err.strerror})",
                         "a folder that can be written; see --out", str(path)) from err
    return path
