"""One HTML file that shows a run in 3-D in the browser, step by step, without a network."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from simkit.errors import InputError
from simkit.export.net import Array, Net
from simkit.files import write_atomic
from simkit.show.setting import outline_of, read_setting
from simkit.show.style import DIVERGING, colour_limit, signed_whole

SMALLEST_MM = 1e-4
"""Resolution of stored deviations, which are 32-bit integers."""


def write_page(net: Net, path: Path) -> list[Path]:
    """Write the page; deviations, normals and tools of every step are within it.

    Raises
    ------
    InputError : the file cannot be written.
    """
    script = (resources.files("simkit.show") / "vendor" / "three.min.js").read_text("utf-8")
    template = (resources.files("simkit.export") / "page.html").read_text("utf-8")
    # A closing tag inside a title would end the script element.
    data = json.dumps(page_data(net), separators=(",", ":")).replace("</", "<\\/")
    html = (template.replace("/*THREE*/", script.replace("</script", "<\\/script"), 1)
            .replace("/*DATA*/", data, 1))
    try:
        write_atomic(path, html.encode())
    except OSError as error:
        raise InputError(f"cannot write the page ({error.strerror})",
                         "a folder that can be written; see --out", str(path)) from error
    return [path]


def page_data(net: Net) -> dict[str, Any]:
    """Data of the page: base64 of little-endian arrays, and texts.

    points : float32 (n, 3) of the undamaged panel, mm. normals : float32 (n, 3) of it.
    steps : for each, d in 0.0001 mm (int32), slopes of the normal n_x/n_z and n_y/n_z in 1/16384
    (int16 pairs, up to slope 2), texts and the tool's outline.
    """
    record = net.record
    setting = read_setting(record.folder)
    states = list(net.states())
    limit = colour_limit(*(state.d_mm for state in states))
    return {
        "title": record.title, "strategy": record.strategy, "rows": net.shape[0],
        "columns": net.shape[1], "limit": limit, "tolerance": record.tolerance_mm,
        "points": _packed(net.plain.points_mm, "<f4"), "normals": _packed(net.plain.normals, "<f4"),
        "colours": _colour_table(),
        "steps": [{"d": _packed(np.round(state.d_mm / SMALLEST_MM), "<i4"),
                   "n": _packed(_slopes(state.grid.normals), "<i2"),
                   **_words(net, state.step, setting.outlines)} for state in states]}


def _slopes(normals: Array) -> Array:
    flat = normals.reshape(-1, 3)
    slopes = flat[:, :2] / np.maximum(flat[:, 2:], 1e-3)
    return np.clip(np.round(16384.0 * slopes), -32767, 32767)


def _packed(values: Any, kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values).astype(kind).tobytes()).decode()


def _words(net: Net, number: int, outlines: Mapping[str, Array]) -> dict[str, Any]:
    step = net.record.steps[number]
    words: dict[str, Any] = {
        "name": "The dent before any work" if number == 0 else
        f"{step.operation} {step.tool} at x {signed_whole(step.x_mm)}, "
        f"y {signed_whole(step.y_mm)} mm" if np.isfinite(step.x_mm) else
        f"{step.operation} {step.tool}",
        "low": round(step.max_low_mm, 3), "high": round(step.max_high_mm, 3)}
    if number and np.isfinite(step.force_N):
        words["force"] = round(step.force_N)
    if number and np.isfinite(step.x_mm) and np.isfinite(step.y_mm):
        outline = outline_of(step, outlines)
        if outline is None:
            turn = np.linspace(0.0, 2.0 * np.pi, 25)
            outline = 6.0 * np.column_stack([np.cos(turn), np.sin(turn)])
        angle = np.radians(np.nan_to_num(step.number_of("angle_deg")))
        c, s = np.cos(angle), np.sin(angle)
        around = outline @ np.array([[c, s], [-s, c]]) + (step.x_mm, step.y_mm)
        words["outline"] = np.round(around, 2).tolist()
    return words


def _colour_table() -> list[list[int]]:
    """64 colours of the usual scale, from low to high, sRGB bytes."""
    import matplotlib as mpl

    shades = mpl.colormaps[DIVERGING](np.linspace(0.0, 1.0, 64))
    return [[round(255 * float(c)) for c in shade[:3]] for shade in shades]
