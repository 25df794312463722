"""One sound case as text, which the tests break in one place at a time."""

from __future__ import annotations

SOUND = """\
format: 1
title: A bowl in a curved panel
about: Invented for the tests.
panel:
  surface: curved
  length_x_mm: 600
  length_y_mm: 400
  radius_x_mm: 1200
  thickness_mm: 0.75
  grade: GRADE
  edges:
    left: {spring_N_per_mm2: 5}
    top: free
  supports:
    - {name: beam, shape: line, x_mm: 0, y_mm: 90, length_mm: 100, stiffness_N_per_mm3: 1}
  behind:
    reach: [{x_mm: 0, y_mm: 0, length_mm: 100, width_mm: 50}]
mesh:
  fine_mm: 4
dent:
  shapes:
    - {kind: bowl, x_mm: 10, y_mm: 0, depth_mm: 4, length_mm: 100, width_mm: 80}
    - kind: crease
      x_mm: 0
      y_mm: 20
      length_mm: 60
      width_mm: 32
      depth_mm: 1
history:
  method: strike
kit:
  tabs: [round-30, {name: big, diameter_mm: 40}]
strategies: [centre-first, crown-first]
"""


def broken(old: str, new: str) -> str:
    """The sound case with one place replaced; the place must stand there exactly once."""
    if SOUND.count(old) != 1:
        raise ValueError(f"{old!r} stands {SOUND.count(old)} times in the sound case")
    return SOUND.replace(old, new)


def line_of(text: str, words: str) -> int:
    """Line, counted from 1, in which `words` first stand."""
    return text[: text.index(words)].count("\n") + 1
