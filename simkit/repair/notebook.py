"""Display of a session in notebooks: its steps as a table, the present deviation as a picture."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape

from simkit.inspection.spots import SampledField
from simkit.repair.steprow import StepRow

HEAD = ("step", "operation", "tool", "x, mm", "y, mm", "after, mm", "force, N", "ended as",
        "low, mm", "high, mm", "slope, mrad", "better, %")
MOST = 12
"""Number of last steps that are shown."""


def session_html(rows: Sequence[StepRow], field: SampledField, title: str) -> str:
    """Table of the last steps and picture of the deviation, as HTML without external files."""
    last = rows[-1]
    left_out = f"; the last {MOST} of {len(rows)} steps" if len(rows) > MOST else ""
    head = "".join(f"<th>{escape(word)}</th>" for word in HEAD)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in _cells(row)) + "</tr>"
                   for row in rows[-MOST:])
    picture = base64.b64encode(field._repr_png_()).decode()
    return (f"<p><b>{escape(title)}</b>: after step {last.step}, low {last.max_low_mm:+.2f} mm, "
            f"high {last.max_high_mm:+.2f} mm{left_out}</p>"
            f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
            f'<img alt="deviation, mm" src="data:image/png;base64,{picture}">')


def _cells(row: StepRow) -> list[str]:
    done = row.step > 0
    return [str(row.step), row.operation, row.tool,
            *([f"{row.x_mm:.0f}", f"{row.y_mm:.0f}", f"{row.released_mm:+.2f}",
               f"{row.force_N:.0f}", str(row.outcome)] if done else [""] * 5),
            f"{row.max_low_mm:+.2f}", f"{row.max_high_mm:+.2f}", f"{row.slope_mrad:.1f}",
            f"{row.improvement_pct:.0f}" if done else ""]
