"""Facts of a stored run or comparison in words, for reports: panel, match, steps, risks, inputs."""

from __future__ import annotations

import hashlib
import io
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from ruamel.yaml import YAML

from simkit import __version__
from simkit.errors import InputError
from simkit.material.grades import load_grade
from simkit.record.read import RunRecord, StepRecord, read_json
from simkit.repair.reversed_test import law_words

Pairs = list[tuple[str, str]]
Row = Mapping[str, Any]

STEP_COLUMNS = (  # heading, column of steps.csv, number format ("" for words)
    ("step", "step", ".0f"), ("operation", "operation", ""), ("tool", "tool", ""),
    ("touches", "touches", ".0f"),
    ("x, mm", "x_mm", ".0f"), ("y, mm", "y_mm", ".0f"), ("wanted, mm", "goal_mm", "+.2f"),
    ("before, mm", "before_mm", "+.2f"), ("after, mm", "released_mm", "+.2f"),
    ("force, N", "force_N", ".0f"), ("low left, mm", "max_low_mm", "+.2f"),
    ("high left, mm", "max_high_mm", "+.2f"), ("better, %", "improvement_pct", ".0f"),
    ("min", "minutes", ".1f"), ("how it ended", "outcome", ""),
)
PROMISE = (
    "This is a calculation with stated assumptions, not a forecast of one real repair to the tenth "
    "of a millimetre. Differences between strategies on the same dent are more trustworthy than "
    "any single number. What is not modelled: friction, the speed of a blow, tearing, the paint "
    "layer, heat, holes and hems inside the panel. Minutes are common practice without a source.")


def description(record: RunRecord) -> dict[str, Any]:
    """RUN/run.json as it is."""
    return read_json(record.folder / "run.json", "run")


def case_of(record: RunRecord) -> dict[str, Any]:
    """RUN/case.json: resolved case, digests of its data files, version."""
    path = record.folder / "case.json"
    if not path.exists():
        raise InputError("case.json is missing", "a whole run folder; run the case again",
                         str(path))
    info = read_json(path, "run")
    if not isinstance(info.get("case"), dict):
        raise InputError("holds no case", "run the case again", str(path), key="case")
    return info


def panel_facts(case: Row) -> Pairs:
    """The panel in words."""
    panel = case["panel"]
    size = (f"disc of {panel['radius_mm']:g} mm radius" if panel.get("outline") == "disc" else
            f"{panel['length_x_mm']:g} \u00d7 {panel['length_y_mm']:g} mm in plan")
    curved = [f"{panel[key]:g} mm along {axis}" for key, axis in
              (("radius_x_mm", "x"), ("radius_y_mm", "y")) if panel.get(key)]
    edges = panel.get("edges") or {}
    held = panel.get("edge") or ", ".join(f"{side} {how if isinstance(how, str) else 'on springs'}"
                                          for side, how in edges.items())
    reach = (panel.get("behind") or {}).get("reach", "all")
    braces = [bed["name"] for bed in panel.get("supports") or ()]
    return [
        ("size", size),
        ("surface", f"{panel['surface']}" + (f", radius {' and '.join(curved)}" if curved else "")),
        ("sheet", ", ".join([f"{panel['thickness_mm']:g} mm, {panel['grade']}",
                             *law_words(panel)])),
        ("edges", held or "held"),
        ("braces behind", ", ".join(braces) or "none"),
        ("access from behind", reach if isinstance(reach, str) else f"{len(reach)} openings"),
    ]


def match_facts(notes: Row | None) -> dict[str, Any]:
    """How the dent was reconstructed, and how uncertain that is."""
    if not notes:
        return {"sentence": "The panel was not reconstructed from a depth field in this run.",
                "histories": [], "doubt": "see the run this one started from."}
    found = notes.get("plausible") or []
    histories = [{"words": one["words"], "weight": f"{100 * one['weight']:.0f} %",
                  "rms": f"{one['rms_mm']:.3f}"} for one in found]
    doubt = (f"{len(found)} histories explain the readings alike; the run used the likeliest. "
             "simkit run --band repeats the repair on each of them." if len(found) > 1 else
             "one history stands alone among those tried." if found else
             "the dent was made by the blows of the case, nothing was fitted: the stress is as "
             "sure as they are." if notes.get("method") == "blows" else
             "the surface was pulled onto the measured shape, which spreads plastic strain too "
             "widely.")
    return {"sentence": notes.get("sentence", ""), "histories": histories, "doubt": doubt}


def steps_table(steps: Sequence[StepRecord]) -> dict[str, Any]:
    """Table of all steps; columns that no step has are left out."""
    shown = [c for c in STEP_COLUMNS if any(
        step.row.get(c[1], "").strip() not in ("", "1" if c[1] == "touches" else "")
        for step in steps[1:])]
    rows = [[_as_cell(step.row.get(key, ""), style)
             for _, key, style in shown] for step in steps]
    return {"head": [{"text": name, "kind": "n" if style else ""} for name, _, style in shown],
            "rows": rows}


def strategies_table(rows: Sequence[Mapping[str, str]]) -> dict[str, Any]:
    """Table of a comparison."""
    columns = (("strategy", "strategy", ""), ("flat", "flat", ""), ("stage", "stage", ""),
               ("steps", "steps", ".0f"), ("min", "minutes", ".0f"),
               ("low left, mm", "max_low_mm", "+.2f"), ("high left, mm", "max_high_mm", "+.2f"),
               ("slope, mrad", "slope_mrad", ".1f"), ("better, %", "improvement_pct", ".0f"),
               ("crown, mm", "crown_end_mm", "+.2f"), ("force, N", "max_force_N", ".0f"),
               ("how it ended", "outcome", ""))
    shown = [c for c in columns if any(row.get(c[1], "").strip() for row in rows)]
    return {"head": [{"text": name, "kind": "n" if style else ""} for name, _, style in shown],
            "rows": [[_as_cell(row.get(key, ""), style)
                      for _, key, style in shown] for row in rows]}


def risk_facts(steps: Sequence[StepRecord], case: Row) -> list[dict[str, str]]:
    """Loads on glue, sheet and paint during the repair, with their limits."""
    limits = case.get("limits") or {}
    found = []
    for kind, key, what in (("pull", "pull_force_N", "largest pull"),
                            ("push", "push_force_N", "largest push or tap")):
        forces = [s.force_N for s in steps[1:] if math.isfinite(s.force_N)
                  and (s.operation in ("pull", "hold")) == (kind == "pull")]
        if forces:
            found.append({"what": what, "value": f"{max(forces):.0f} N",
                          "limit": f"{limits[key]:g} N" if key in limits else "-",
                          "meaning": "force at which the operation was stopped at the latest"})
    # The outcome is text in steps.csv; only outcomes of glue contain this word.
    let_go = [str(s.number) for s in steps if "glue" in s.outcome.lower()]
    found.append({"what": "tab came off", "limit": "-",
                  "value": f"step {', '.join(let_go)}" if let_go else "never",
                  "meaning": "the glue let go before the goal was met"})
    last = steps[-1]
    for key, what, limit, meaning in (
            ("max_face_strain", "strain at the paint",
             f"{100 * limits['paint_strain']:g} %" if "paint_strain" in limits else "-",
             "largest stretch of the outer face since the sheet was flat; old or resprayed paint "
             "bears less"),
            ("max_plastic_strain", "plastic strain of the sheet", "-",
             "largest of any layer; work hardening and loss of formability grow with it")):
        value = last.number_of(key)
        if math.isfinite(value):
            found.append({"what": what, "value": f"{100 * value:.1f} %", "limit": limit,
                          "meaning": meaning})
    surplus = last.number_of("stretch_mm2")
    if math.isfinite(surplus):
        grown = f"{surplus:.1f} mm\u00b2".replace("-", "\u2212")
        found.append({"what": "area surplus", "value": grown, "limit": "-",
                      "meaning": "sheet that is too large for its place; it bulges or oil-cans"})
    snapped = [str(s.number) for s in steps if s.row.get("snapped") == "yes"]
    found.append({"what": "snap-through", "limit": "-",
                  "value": f"step {', '.join(snapped)}" if snapped else "none",
                  "meaning": "the panel jumped; keep hands out of its way"})
    return found


def input_facts(info: Row, title: str) -> Pairs:
    """Digests and versions: two runs with equal ones have equal inputs."""
    digest = hashlib.sha256(json.dumps(info["case"], sort_keys=True).encode()).hexdigest()
    data = info.get("data_sha256") or {}
    return [("title", title), ("simkit", f"{info.get('simkit', '?')}, reported by {__version__}"),
            ("digest of the case", f"sha256 {digest}"),
            *((f"{key}, set beside the file", str(value))
              for key, value in (info.get("set") or {}).items()),
            *((f"digest of {key}", f"sha256 {value}") for key, value in data.items())]


def case_text(case: Row) -> str:
    """The case as YAML."""
    out = io.StringIO()
    writer = YAML()
    writer.default_flow_style = None
    writer.width = 96
    writer.dump(json.loads(json.dumps(case)), out)
    return out.getvalue().rstrip()


def grade_facts(name: str) -> dict[str, Any]:
    """Every number of the sheet with its source; the name alone where the grade is unknown."""
    try:
        grade = load_grade(name)
    except InputError:
        return {"name": name, "title": "not in this version's list", "numbers": []}
    numbers = [{"name": n.name,
                "value": f"{n.value:.6g}" + ("" if n.unit == "1" else f" {n.unit}"),
                "status": n.status, "source": f"{n.source_text}, {n.place}"
                + (f"; {n.why}" if n.why else "")}
               for n in (*grade.numbers.values(), *grade.derived())]
    return {"name": grade.name, "title": grade.title, "numbers": numbers}


def _as_cell(text: str, style: str) -> dict[str, str]:
    """A cell and its kind: n for numbers, w for short words, which are not broken either."""
    return {"text": _cell(text, style), "kind": "n" if style else "w" if len(text) < 14 else ""}


def _cell(text: str, style: str) -> str:
    """A table cell: a number in its format with U+2212 as minus, a text unchanged, - if empty."""
    if not text.strip():
        return "-"
    if not style:
        return text
    number = f"{float(text):{style}}"
    if float(number) == 0.0:
        # No sign for a number that is rounded to zero.
        number = number.lstrip("+-")
    return number.replace("-", "\u2212")
