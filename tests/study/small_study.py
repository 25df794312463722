"""A study of our own that is carried out within seconds; invented."""

from __future__ import annotations

from pathlib import Path

CASE = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel: {surface: flat, length_x_mm: 160, length_y_mm: 120, thickness_mm: 0.8, grade: DC04}
mesh: {fine_mm: 8, coarse_mm: 20, layers: 3}
dent:
  blows:
    - {body: ball, radius_mm: 20, x_mm: 5, y_mm: -4, depth_mm: 1.0}
kit: {tabs: [round-25], tips: [ball-12], glue: standard-hot-melt}
limits: {steps: 1}
"""
STUDY = """\
format: 1
title: Small study
about: Invented for the tests.
cases: [small]
vary:
  - {key: panel.thickness_mm, values: [0.7, 0.8]}
strategies: [centre-first, crown-first]
"""


def write_study(folder: Path, old: str = "", new: str = "") -> Path:
    """The study and its case in a folder, with one piece of the study's text replaced."""
    assert old in STUDY
    (folder / "small").mkdir(parents=True, exist_ok=True)
    (folder / "small" / "case.yaml").write_text(CASE, encoding="utf-8")
    file = folder / "study.yaml"
    file.write_text(STUDY.replace(old, new) if old else STUDY, encoding="utf-8")
    return file
