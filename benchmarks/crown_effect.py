"""Tap only the crown of a dent, touch nothing else: how far does the bowl's centre rise?

Run: python benchmarks/crown_effect.py [CASE] [--folder DIR] [--taps 12] [--json]

Every tap goes to the highest spot beyond the tolerance and stops when the released place is
predicted to be level. No number is prescribed: the solver says. ``--folder`` keeps the
reconstructed dent, so that a second run need not reconstruct it again.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path

from simkit.case import load_case
from simkit.strategy.heights import operation_for
from simkit.study.run import prepare


def main() -> None:
    """Print one line a tap, or one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("case", nargs="?", default="cases/first-dent")
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--taps", type=int, default=12)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()

    def say(text: str) -> None:
        if not asked.json:
            print(text, flush=True)

    folder = asked.folder or Path(tempfile.mkdtemp())
    start = prepare(load_case(asked.case), folder, asked.threads, say)
    session, rows = start.session, []
    for _ in range(asked.taps):
        highs = [spot for spot in session.spots() if spot.kind == "high"]
        operations = [operation_for(session, spot) for spot in highs]
        wanted = [operation for operation in operations if operation is not None]
        if not wanted:
            break
        session = session.apply(wanted[0])
        row = session.now.row
        rows.append({key: getattr(row, key) for key in (
            "step", "x_mm", "y_mm", "before_mm", "released_mm", "force_N", "crown_mm",
            "low_rise_mm", "max_low_mm", "energy_error_pct")})
        say(f"tap {row.step:>2} at ({row.x_mm:.0f}, {row.y_mm:.0f}): {row.before_mm:+.2f} -> "
            f"{row.released_mm:+.2f} mm, {row.force_N:.0f} N; crown {row.crown_mm:.3f} mm, centre "
            f"has risen {row.low_rise_mm:.3f} mm")
    first, last = session.steps[0].row, session.now.row
    result = {"crown_start_mm": first.crown_mm, "crown_end_mm": last.crown_mm,
              "low_start_mm": first.max_low_mm, "low_rise_mm": last.low_rise_mm,
              "taps": last.step, "steps": rows}
    if asked.json:
        print(json.dumps(result))
    else:
        print(f"crown {first.crown_mm:.2f} -> {last.crown_mm:.2f} mm by {last.step} taps: the "
              f"centre rises {last.low_rise_mm:.2f} mm of its {-first.max_low_mm:.2f} mm untouched")


if __name__ == "__main__":
    main()
