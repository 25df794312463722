"""The picture of roofline.py: speed over intensity, under the roofs of the machine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib
import numpy as np

matplotlib.use("Agg")
from matplotlib import pyplot as plt

LOW, HIGH = 0.04, 40.0
COLOURS = ("#1b6ca8", "#c1440e", "#4a7c3a", "#7a4b9a", "#a67c00", "#c2185b", "#00838f", "#5d4037")


def draw(rows: list[Any], tops: dict, file: Path) -> None:
    """Draw kernels (with name, flops, bytes, gflops) under the roofs of one thread."""
    peak = tops["registers"]["gflops"]
    speeds = {name.split(",")[0]: row["gbytes"] for name, row in tops["triad"].items()
              if ", 1 " in name}
    figure, axes = plt.subplots(figsize=(9.0, 6.6), layout="constrained")
    x = np.geomspace(LOW, HIGH, 200)
    for (name, speed), style in zip(speeds.items(), (":", "--", "-"), strict=True):
        axes.loglog(x, np.minimum(peak, speed * x), style, color="0.35", lw=1.6)
        at = LOW * 1.25
        axes.annotate(f"{name}, {speed:.0f} GB/s", (at, speed * at), fontsize=8, color="0.35",
                      rotation=36, rotation_mode="anchor", xytext=(0, 3),
                      textcoords="offset points")
    axes.annotate(f"multiply-adds in registers, {peak:.0f} GFlop/s", (HIGH, peak), ha="right",
                  fontsize=8, color="0.35", xytext=(0, 3), textcoords="offset points")
    for k, row in enumerate(rows):
        place = row.flops / row.bytes
        axes.plot(place, row.gflops, "o", ms=9, color=COLOURS[k % len(COLOURS)],
                  label=f"{row.name}: {row.gflops:.1f} GFlop/s, {1e3 * row.seconds:.2f} ms")
    axes.set(xlim=(LOW, HIGH), ylim=(0.5, 2.0 * peak),
             xlabel="operations over least traffic (flop/byte)",
             ylabel="speed (GFlop/s)",
             title="Kernels of one pull under the roofs of the machine, one thread")
    axes.grid(True, which="both", color="0.9", lw=0.6)
    figure.legend(loc="outside lower center", ncols=2, fontsize=8, frameon=False)
    file.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(file, dpi=110)
    plt.close(figure)
