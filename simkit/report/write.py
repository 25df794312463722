"""A report as one self-contained HTML file, or as a PDF made from it."""

from __future__ import annotations

import base64
import io
import tempfile
from collections.abc import Callable, Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from simkit.case.repair import Goal
from simkit.errors import InputError
from simkit.files import write_atomic
from simkit.optics.bench import Pose
from simkit.record.read import ComparisonRecord, RunRecord, is_comparison, read_comparison, read_run
from simkit.report import facts
from simkit.report.study import is_study, study_content, study_lines
from simkit.show.answer import answer_figure
from simkit.show.bands import LEAST_TOLERANCES, band_figure
from simkit.show.course import comparison_figure
from simkit.show.maps import map_figure
from simkit.show.profiles import section_figure
from simkit.show.progress import progress_figure
from simkit.show.reflections import open_view, reflection_figure, side_by_side_figure
from simkit.show.sheetfigures import sheet_figure
from simkit.show.style import look, save, signed
from simkit.show.versus import final_maps_figure
from simkit.show.workmap import work_figure
from simkit.tool.cautions import cautions_for

PICTURE_COLOURS = 160
"""Colours of an embedded picture: enough for our maps, and a third of the bytes."""
MOST_STUDY_PICTURES = 4
UPRIGHT_MM, ACROSS_MM = (180.0, 240.0), (267.0, 177.0)
"""Space for a picture on an upright and a turned page of the PDF, width and height; see
style.css.j2."""
LEAST_POINTS = 7.0
"""Smallest text of a picture, points; a picture whose text would be smaller gets a turned page."""
NO_PDF = ("PDF reports need weasyprint and its libraries",
          "pip install -e '.[report]' in simkit's folder, and on Debian: apt install "
          "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0; or the HTML report, "
          "which prints as well")


def write_report(folder: Path, out: Path, pdf: bool) -> list[Path]:
    """Write the report of a stored run, comparison or study; returns the files.

    Raises
    ------
    InputError : an unusable folder, or PDF asked for without weasyprint.
    """
    render = _weasyprint(out.with_suffix(".pdf")) if pdf else None
    if is_study(folder):
        html = _page({**study_content(folder), "pictures": _study_pictures(folder)},
                     "study.html.j2")
    elif is_comparison(folder):
        html = _page(_comparison(read_comparison(folder)), "page.html.j2")
    else:
        html = _page(_run(read_run(folder)), "page.html.j2")
    files = [out.with_suffix(".html")]
    try:
        write_atomic(files[0], html.encode())
        # The HTML is written first, so that it exists even if the PDF fails.
        if render is not None:
            files.append(out.with_suffix(".pdf"))
            write_atomic(files[1], render(html))
    except OSError as error:
        raise InputError(f"cannot write the report ({error.strerror})",
                         "a folder that can be written; see --out", str(out)) from error
    return files


def _run(record: RunRecord) -> dict[str, Any]:
    info, story = facts.case_of(record), facts.description(record)
    case, notes = info["case"], story.get("reconstruction")
    last = record.steps[-1]
    summary = story.get("summary") or {}
    good = summary.get("flat") == "yes"
    with look():
        pictures = _run_pictures(record)
    parts = [
        {"name": "Repair, step by step", "text": f"Strategy: {record.strategy}.",
         "table": facts.steps_table(record.steps), "pictures": pictures[:2]},
        {"name": "What is left", "text": "", "table": None, "pictures": pictures[2:]}]
    return {
        **_common(record, case, info, notes), "good": good, "parts": parts,
        "under": f"Report of one repair \u00b7 strategy {record.strategy}",
        "question": f"How far does the strategy {record.strategy} bring this dent with these "
                    f"tools, and what does it ask of the sheet? Flat means: {_goal(case)}.",
        "verdict": (f"{record.outcome}: {record.last} steps, {_minutes(record)} minutes; left: low "
                    f"{signed(last.max_low_mm)} mm, high {signed(last.max_high_mm)} mm"),
        "reading": _stages(summary), "risks": facts.risk_facts(record.steps, case)}


def _comparison(record: ComparisonRecord) -> dict[str, Any]:
    if not record.runs:
        raise InputError("no run of this comparison is stored", "a whole comparison folder",
                         str(record.folder))
    first = next(iter(record.runs.values()))
    info, notes = facts.case_of(first), facts.description(first).get("reconstruction")
    case = info["case"]
    with look():
        pictures = [
            _picture(comparison_figure(record), "Improvement over steps and minutes; stages "
                     "reached; what is left; what it asked of the sheet."),
            _picture(final_maps_figure(record), "What each strategy leaves, one scale."),
            *_optional(record.folder, lambda: side_by_side_figure(record, Pose()),
                       "Lamp lines reflected in the panel after each strategy.")]
    parts: list[dict[str, Any]] = [
        {"name": "Strategies", "text": "All had the same dent, tools and limits.",
         "table": facts.strategies_table(record.rows), "pictures": pictures}]
    for name, run in record.runs.items():
        with look():
            shown = [_picture(work_figure(run), f"{name}: places, tools and order.")]
        parts.append({"name": f"Steps of {name}", "text": "", "pictures": shown,
                      "table": facts.steps_table(run.steps)})
    best = max(record.rows, key=lambda row: float(row.get("improvement_pct") or "nan"))
    flat = [row["strategy"] for row in record.rows if row.get("flat") in ("yes", "True")]
    return {
        **_common(first, case, info, notes), "good": bool(flat), "parts": parts,
        "under": f"Comparison of {len(record.rows)} strategies on one dent", "title": record.title,
        "question": f"Which strategy brings this dent furthest with these tools? Flat means: "
                    f"{_goal(case)}.",
        "verdict": (f"flat: {', '.join(flat)}" if flat else
                    "no strategy reached flat within its limits; furthest: "
                    f"{best['strategy']}, {float(best['improvement_pct']):.0f} % better"),
        "reading": [], "risks": [
            {**risk, "what": f"{name}: {risk['what']}"} for name, run in record.runs.items()
            for risk in facts.risk_facts(run.steps, case)]}


def _common(record: RunRecord, case: Mapping[str, Any], info: Mapping[str, Any],
            notes: Mapping[str, Any] | None) -> dict[str, Any]:
    return {
        "title": record.title, "about": case.get("about", ""), "panel": facts.panel_facts(case),
        "match": facts.match_facts(notes), "promise": facts.PROMISE,
        "cautions": [caution.text for caution in cautions_for()],
        "inputs": facts.input_facts(info, record.title), "case_text": facts.case_text(case),
        "grade": facts.grade_facts(case["panel"]["grade"]),
        "footer": record.title.replace('"', "'").replace("\\", "")}


def _study_pictures(folder: Path) -> list[dict[str, str]]:
    with look():
        return [_picture(answer_figure(f"What came out, by {key}", key, lines),
                         f"By {key}: mean of the runs at each value, a line a strategy. Whether a "
                         "difference holds, the conclusions say.")
                for key, lines in list(study_lines(folder).items())[:MOST_STUDY_PICTURES]]


def _run_pictures(record: RunRecord) -> list[dict[str, str]]:
    deep = max(-step.max_low_mm
               for step in record.steps[:1]) > LEAST_TOLERANCES * record.tolerance_mm
    return [
        _picture(work_figure(record), "Places, tools and order on the dent's map."),
        _picture(progress_figure(record), "Largest low, high and crown after every step; forces."),
        _picture(map_figure(record), "Deviation before and after, one scale."),
        *([_picture(band_figure(record), "The same in bands, which show low crowns beside a deep "
                    "dent.")] if deep else []),
        _picture(section_figure(record), "Sections through the deepest point."),
        *_optional(record.folder, lambda: reflection_figure(open_view(record, Pose(), 360)),
                   "Lamp lines and isophotes: undamaged, with the dent, after the repair."),
        *_optional(record.folder, lambda: sheet_figure(record),
                   "What is in the sheet: computed, not measured.")]


def _optional(folder: Path, draw: Callable[[], Any], caption: str) -> list[dict[str, str]]:
    """A picture that needs the surface; nothing for a run recorded without it."""
    if not (folder / "surface.npz").exists() and not any(folder.glob("runs/*/surface.npz")):
        return []
    return [_picture(draw(), caption)]


def _picture(figure: Any, caption: str) -> dict[str, str]:
    """A figure as PNG data within the page, with few colours to save bytes."""
    from PIL import Image

    with tempfile.TemporaryDirectory() as place:
        path = save(figure, Path(place) / "picture.png")
        with Image.open(path) as image:
            small = image.convert("RGB").quantize(PICTURE_COLOURS, dither=Image.Dither.NONE)
            out = io.BytesIO()
            small.save(out, format="PNG", optimize=True)
    data = base64.b64encode(out.getvalue()).decode()
    return {"data": f"data:image/png;base64,{data}", "caption": caption,
            "lies": "across" if points_on_paper(figure, UPRIGHT_MM) < LEAST_POINTS else ""}


def points_on_paper(figure: Any, room_mm: tuple[float, float]) -> float:
    """Size of a figure's smallest text, points, when it is reduced to a given space on paper."""
    from matplotlib.text import Text

    smallest = min(float(text.get_fontsize()) for text in figure.findobj(Text)
                   if text.get_text() and text.get_visible())
    inches = figure.get_size_inches()
    return smallest * min(1.0, *(room / 25.4 / size
                                 for room, size in zip(room_mm, inches, strict=True)))


def _page(content: Mapping[str, Any], template: str) -> str:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    home = resources.files("simkit.report")
    pages = Environment(autoescape=True, undefined=StrictUndefined, loader=FunctionLoader(
        lambda name: (home / name).read_text(encoding="utf-8")))
    return pages.get_template(template).render(content)


def _weasyprint(path: Path) -> Callable[[str], bytes]:
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:
        raise InputError(*NO_PDF, str(path)) from error
    return lambda html: bytes(HTML(string=html).write_pdf())


def _goal(case: Mapping[str, Any]) -> str:
    try:
        goal = Goal.model_validate(case.get("goal") or {})
    except ValidationError as error:
        raise InputError("a goal that cannot be read", "the goal of a case file",
                         key="goal") from error
    height, slope = goal.limits
    words = f"no spot beyond \u00b1{height:g} mm"
    if slope != float("inf"):
        words += f" and no slope beyond {slope:g} mrad over {goal.slope_base_mm:g} mm"
    return words if goal.stage == "finished" else f"the stage '{goal.stage}', {words}"


def _minutes(record: RunRecord) -> str:
    total = sum(m for s in record.steps if (m := s.number_of("minutes")) == m)
    return f"{total:.0f}"


def _stages(summary: Mapping[str, Any]) -> Sequence[str]:
    lines = []
    for stage in ("bulk", "roughed", "fine", "finished"):
        steps, minutes = summary.get(f"steps_{stage}"), summary.get(f"minutes_{stage}")
        if steps is None:
            continue
        lines.append(f"{stage}: " + (f"after {steps} steps, {float(minutes or 0):.0f} minutes"
                                     if steps else "not reached"))
    return lines
