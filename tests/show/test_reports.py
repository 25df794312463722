"""Reports and work sheets: self-contained, complete, true to scale, refused in one line."""

from __future__ import annotations

import json
import re
import sys
import zlib
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from browser import needs_chromium, shoot
from stored_run import PLAN, write_run

from simkit.cli.main import main
from simkit.errors import InputError
from simkit.optics.bench import Pose
from simkit.record.read import read_run
from simkit.report import write as reports
from simkit.report.facts import steps_table
from simkit.report.sheet import _cells, lines_of, write_sheet
from simkit.report.study import study_lines
from simkit.report.write import _goal, write_report
from simkit.show.bands import band_figure
from simkit.show.maps import map_figure
from simkit.show.profiles import section_figure
from simkit.show.progress import progress_figure
from simkit.show.reflections import open_view, reflection_figure
from simkit.show.region import Region
from simkit.show.sheetfigures import sheet_figure
from simkit.show.style import look
from simkit.show.workmap import pass_of, work_figure


class Outline(HTMLParser):
    """Headings, pictures, links, and tags left open."""

    VOID = ("meta", "img", "br", "link", "input", "hr")

    def __init__(self) -> None:
        super().__init__()
        self.heads, self.sources, self.open, self.text = [], [], [], ""
        self.wrong = []

    def handle_starttag(self, tag, attrs):
        if tag not in self.VOID:
            self.open.append(tag)
        self.sources += [value for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data):
        self.text += data
        if self.open and self.open[-1] == "h2":
            self.heads.append(data)


@pytest.fixture
def run_folder(tmp_path):
    """Three steps are enough for a report."""
    return write_run(tmp_path / "run", PLAN[:1] + PLAN[3:6])


def outline(path) -> Outline:
    page = Outline()
    page.feed(path.read_text(encoding="utf-8"))
    return page


def test_a_run_report_holds_everything_and_asks_for_nothing(run_folder, tmp_path):
    files = write_report(run_folder, tmp_path / "report", pdf=False)
    assert [file.name for file in files] == ["report.html"]
    page = outline(files[0])
    assert page.wrong == page.open == []
    assert page.heads == ["Question", "Panel", "Dent, and how well it is matched",
                          "Repair, step by step", "What is left", "Risks",
                          "What this promises, and what not", "Cautions", "Inputs"]
    assert len(page.sources) >= 6
    assert all(source.startswith("data:image/png;base64,") for source in page.sources)
    for words in ("0.75 mm, DC04", "eye protection", "sha256", "brace", "glue let go",
                  "EN 10130", "\u22121.71"):
        assert words.lower() in page.text.lower(), words


@needs_chromium
def test_a_report_in_a_browser_without_network_says_nothing(run_folder, tmp_path):
    main(["report", str(run_folder), "--out", str(tmp_path / "r")])
    (tmp_path / "bad.html").write_text("<script>nothing_of_this_name()</script>")
    assert shoot(tmp_path / "bad.html", tmp_path / "bad.png") != []  # a fault is heard
    assert shoot(tmp_path / "r.html", tmp_path / "r.png") == []
    assert (tmp_path / "r.png").stat().st_size > 10_000


def test_text_of_a_case_cannot_break_the_page(run_folder, tmp_path, monkeypatch):
    monkeypatch.setattr(reports, "_run_pictures", lambda record: [])
    path = run_folder / "run.json"
    path.write_text(path.read_text().replace("Invented dent", "<script>alert(1)</script>"))
    page = write_report(run_folder, tmp_path / "r", pdf=False)[0].read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_a_comparison_report_names_what_is_flat(comparison_folder, tmp_path, capsys):
    assert main(["report", str(comparison_folder), "--out", str(tmp_path / "c")]) == 0
    page = outline(tmp_path / "c.html")
    assert "flat: crown-first, worst-spot-first" in page.text
    assert "Steps of centre-first" in page.heads
    assert str(tmp_path / "c.html") in capsys.readouterr().out


def test_without_weasyprint_the_way_to_it_is_named(run_folder, tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    assert main(["report", str(run_folder), "--pdf", "--out", str(tmp_path / "r")]) == 2
    said = capsys.readouterr().err
    assert "pip install -e '.[report]'" in said
    assert "libpango" in said
    assert list(tmp_path.glob("r.*")) == []


def test_pdf_is_made_of_the_same_page(run_folder, tmp_path, monkeypatch):
    monkeypatch.setattr(reports, "_run_pictures", lambda record: [])
    seen = []
    monkeypatch.setattr(reports, "_weasyprint", lambda path: lambda html: seen.append(html) or b"%")
    html, pdf = write_report(run_folder, tmp_path / "r", pdf=True)
    assert seen == [html.read_text(encoding="utf-8")]
    assert pdf.read_bytes() == b"%"


def drawing(path) -> tuple[list[bytes], list[float]]:
    """Page contents of a PDF, and its page sizes in points."""
    data = path.read_bytes()
    pages = []
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.DOTALL):
        try:
            pages.append(zlib.decompress(stream))
        except zlib.error:
            continue
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+)", data)
    assert box is not None
    return pages, [float(value) for value in box.groups()]


def test_the_ruler_of_the_work_sheet_measures_true(run_folder, tmp_path):
    """A4 is 210 x 297 mm, a point 1/72 inch (ISO 216, ISO 32000; MEMORY); a line of the drawing is
    100 mm long to a hundredth."""
    pages, size = drawing(write_sheet(read_run(run_folder), tmp_path / "w.pdf"))
    assert size == pytest.approx([210.0 * 72.0 / 25.4, 297.0 * 72.0 / 25.4], abs=0.01)
    lines = rb"([\d.]+) [\d.]+ m\n([\d.]+) [\d.]+ l\n"
    lengths = [abs(float(b) - float(a)) * 25.4 / 72.0
               for page in pages for a, b in re.findall(lines, page)]
    assert min(abs(length - 100.0) for length in lengths) < 0.01


def test_the_plan_of_the_work_sheet_is_at_the_scale_it_states(run_folder, tmp_path):
    """The panel is 600 mm long: 150 mm at 1 : 4."""
    pages, _ = drawing(write_sheet(read_run(run_folder), tmp_path / "w.pdf"))
    ends = [float(x) * 25.4 / 72.0 for page in pages
            for x in re.findall(rb"([\d.]+) [\d.]+ [ml]\n", page)]
    assert any(abs(b - a - 150.0) < 0.01 for a in ends for b in ends)


def test_a_long_repair_goes_on_a_second_page_and_says_what_is_left_out(tmp_path):
    folder = write_run(tmp_path / "long", PLAN[:1] + PLAN[1:2] * 55)
    data = write_sheet(read_run(folder), tmp_path / "w.pdf").read_bytes()
    assert len(re.findall(rb"/Type /Page\b", data)) == 2


def test_the_same_run_gives_the_same_sheet(run_folder, tmp_path):
    record = read_run(run_folder)
    first, second = (write_sheet(record, tmp_path / name).read_bytes() for name in ("a", "b"))
    assert first == second


def test_a_run_without_its_case_is_refused(run_folder, tmp_path):
    (run_folder / "case.json").unlink()
    with pytest.raises(InputError, match=r"case\.json is missing"):
        write_report(run_folder, tmp_path / "r", pdf=False)
    with pytest.raises(InputError, match=r"case\.json is missing"):
        write_sheet(read_run(run_folder), tmp_path / "w.pdf")
    assert list(tmp_path.glob("[rw].*")) == []


def study_folder(folder):
    """A study of eight runs; invented, and no solver behind it."""
    folder.mkdir()
    (folder / "study.json").write_text(json.dumps({"format": 1, "kind": "study", "study": {
        "title": "Two sheets", "about": "Invented for the tests.", "cases": ["bowl"],
        "vary": [{"key": "panel.thickness_mm", "values": [0.65, 0.75]}],
        "strategies": ["centre-first", "crown-first"], "replicates": 2}}))
    rows = ["case,strategy,replicate,status,panel.thickness_mm,steps,outcome"]
    rows += [f"bowl,{name},{k},done,{t},{12 + k},steps used up" for t in (0.65, 0.75)
             for name in ("centre-first", "crown-first") for k in (1, 2)]
    (folder / "runs.csv").write_text("\n".join(rows) + "\n")
    (folder / "conclusions.csv").write_text(
        "a,b,quantity,pairs,mean,low,high,sentence\n"
        "centre-first,crown-first,steps,4,-3.2,-5.1,-1.3,centre-first needs less\n")
    return folder


def test_a_study_report_says_what_can_be_concluded_and_lists_every_run(tmp_path):
    folder = study_folder(tmp_path / "study")
    page = outline(write_report(folder, tmp_path / "s", pdf=False)[0])
    assert page.wrong == page.open == []
    assert len(page.sources) == 1  # one key was varied: one picture, within the page
    assert page.sources[0].startswith("data:image/png;base64,")
    assert "8 runs: 8 done" in page.text
    assert "centre-first needs less" in page.text
    assert "\u22123.2" in page.text
    assert page.text.count("steps used up") == 8


def test_pictures_of_the_pdf_lie_so_that_their_text_is_seven_points_at_least(run_folder):
    """A4 is 210 x 297 mm (ISO 216; MEMORY), with margins and room for a caption."""
    assert max(reports.UPRIGHT_MM[0] + 30, reports.ACROSS_MM[1] + 25) <= 210
    assert max(reports.UPRIGHT_MM[1] + 33, reports.ACROSS_MM[0] + 30) <= 297
    record = read_run(run_folder)
    with look():
        for draw in (work_figure, progress_figure, map_figure, band_figure, section_figure,
                     sheet_figure, lambda run: reflection_figure(open_view(run, Pose(), 100))):
            figure = draw(record)
            room = reports.ACROSS_MM if reports._picture(figure, "")["lies"] else reports.UPRIGHT_MM
            assert reports.points_on_paper(figure, room) >= 7.0, draw


def test_pictures_of_a_study_are_means_by_what_was_varied(tmp_path):
    """Steps are 12 + replicate in every cell: 13.5 on average, 13 where a run failed."""
    folder = study_folder(tmp_path / "study")
    whole = dict.fromkeys(("0.65", "0.75"), 13.5)
    assert study_lines(folder) == {"panel.thickness_mm": [
        ("steps", "centre-first", whole), ("steps", "crown-first", whole)]}
    text = (folder / "runs.csv").read_text()
    (folder / "runs.csv").write_text(text.replace("centre-first,2,done,0.65",
                                                  "centre-first,2,killed,0.65"))
    assert study_lines(folder)["panel.thickness_mm"][0][2] == {"0.65": 13.0, "0.75": 13.5}


def test_a_study_without_conclusions_is_reported_and_one_without_runs_refused(tmp_path):
    folder = study_folder(tmp_path / "study")
    (folder / "conclusions.csv").unlink()
    page = outline(write_report(folder, tmp_path / "s", pdf=False)[0])
    assert "nothing is compared" in page.text
    (folder / "runs.csv").unlink()
    with pytest.raises(InputError, match="missing"):
        write_report(folder, tmp_path / "s", pdf=False)


def test_a_pass_is_a_pass_on_the_sheet_and_in_the_report(run_folder):
    """Whoever reads "push" at one place where twelve were computed does the wrong thing."""
    single = read_run(run_folder).steps[1]
    said = "push ball-12 at 5,-4 to 0.03 over 80x48 every 27"
    one = replace(single, row={**single.row, "touches": "12", "said": said})
    asked = pass_of(one)
    assert asked is not None
    assert asked.spread is not None
    assert asked.spread.count == 12
    assert pass_of(single) is None
    words = [text for text, _ in _cells(one, Region(-200.0, 200.0, -150.0, 150.0))]
    assert "all crosses, 80 x 48 mm" in words
    said = "push ball-12 at 5,-4 to 0.03 and 12,6 to -0.02 and 3,9 to 0.01"
    chosen = replace(single, row={**single.row, "touches": "3", "said": said})
    record = read_run(run_folder)
    lines = lines_of(replace(record, steps=(record.steps[0], chosen, *record.steps[2:])))
    extra = [[text for text, _ in line] for line in lines if line[0][0] == ""]
    field = record.fields[0]
    assert [line[1] for line in extra] == ["and at", "and at"]
    assert extra[0][3] == f"{12.0 - field.x_mm.min():.0f}"
    assert [line[6] for line in extra] == ["\u22120.02", "+0.01"]
    heads = [cell["text"] for cell in steps_table([single, one])["head"]]
    assert "touches" in heads
    assert "touches" not in [cell["text"] for cell in steps_table([single, single])["head"]]


@pytest.mark.parametrize(("goal", "words"), [
    ({}, "no spot beyond \u00b10.1 mm and no slope beyond 2 mrad over 20 mm"),
    ({"stage": "fine", "stages": {"fine": {"height_mm": 0.1, "slope_mrad": 4.0}}},
     "the stage 'fine', no spot beyond \u00b10.1 mm and no slope beyond 4 mrad over 20 mm"),
    ({"stage": "bulk", "stages": {"bulk": {"height_mm": 1.0}}},
     "the stage 'bulk', no spot beyond \u00b11 mm")])
def test_the_goal_is_said_with_the_limits_of_its_stage(goal, words):
    assert _goal({"goal": goal}) == words
