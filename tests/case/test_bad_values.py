"""Every bad case file gives one line with file, line, key, what was found and expected."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sound_case import SOUND, broken, line_of

from simkit.case import load_case
from simkit.errors import InputErrors

Write = Callable[[str], Path]

BAD = {
    # name: (old, new, words that mark the line, key, parts of the message)
    "unknown key": (
        "  thickness_mm: 0.75", "  thicknes_mm: 0.75", "thicknes_mm", "panel.thicknes_mm",
        ["unknown key", "did you mean 'thickness_mm'?"]),
    "unit left out of the key": (
        "  thickness_mm: 0.75", "  thickness: 0.75", "thickness:", "panel.thickness",
        ["did you mean 'thickness_mm'?"]),
    "unknown block": (
        "history:", "histori:", "histori", "histori", ["did you mean 'history'?"]),
    "misspelled block that must be there": (
        "panel:", "panl:", "panl", "panl", ["did you mean 'panel'?"]),
    "key nothing like any other": (
        "  fine_mm: 4", "  zzz: 4", "zzz", "mesh.zzz", ["expected one of fine_mm, coarse_mm"]),
    "key in the wrong block": (
        "  fine_mm: 4", "  paint_strain: 0.04", "paint_strain", "mesh.paint_strain",
        ["it belongs at 'limits.paint_strain'"]),
    "unknown key in a list item": (
        "diameter_mm: 40}", "diametre_mm: 40}", "tabs:", "kit.tabs[1].diametre_mm",
        ["did you mean 'diameter_mm'?"]),
    "misspelled choice": (
        "  surface: curved", "  surface: curvd", "surface", "panel.surface",
        ["'curvd' found", "did you mean 'curved'?"]),
    "choice in capitals": (
        "  surface: curved", "  surface: Curved", "surface", "panel.surface",
        ["did you mean 'curved'?"]),
    "choice like no other": (
        "  method: strike", "  method: xyz", "method", "history.method",
        ["'xyz' found", "expected one of strike, imprint"]),
    "misspelled edge": (
        "    top: free", "    top: fre", "top:", "panel.edges.top",
        ["'fre' found", "did you mean 'free'?"]),
    "edge as a number": (
        "    top: free", "    top: 3", "top:", "panel.edges.top",
        ["3 found", "held, hinged, free, symmetric"]),
    "misspelled strategy": (
        "crown-first]", "crwn-first]", "strategies", "strategies[1]",
        ["no strategy 'crwn-first'", "did you mean 'crown-first'?"]),
    "strategy twice": (
        "crown-first]", "centre-first]", "strategies", "strategies[1]", ["given twice"]),
    "no strategies": (
        "strategies: [centre-first, crown-first]", "strategies: []", "strategies", "strategies",
        ["empty list"]),
    "strategies not a list": (
        "strategies: [centre-first, crown-first]", "strategies: centre-first", "strategies",
        "strategies", ["'centre-first' found", "expected a list"]),
    "text for a number": (
        "  thickness_mm: 0.75", "  thickness_mm: thin", "thickness_mm", "panel.thickness_mm",
        ["'thin' found", "expected a number, 0.3 to 4 mm"]),
    "number in quotes with unit": (
        "  thickness_mm: 0.75", "  thickness_mm: 0.75 mm", "thickness_mm", "panel.thickness_mm",
        ["'0.75 mm' found", "bare number without unit"]),
    "decimal comma": (
        "  thickness_mm: 0.75", "  thickness_mm: 0,75", "thickness_mm", "panel.thickness_mm",
        ["decimal point, not a comma"]),
    "yes for a number": (
        "  thickness_mm: 0.75", "  thickness_mm: true", "thickness_mm", "panel.thickness_mm",
        ["true found", "expected a number"]),
    "thickness in the wrong unit": (
        "  thickness_mm: 0.75", "  thickness_mm: 75", "thickness_mm", "panel.thickness_mm",
        ["75 found", "expected 0.3 to 4 mm; is the unit right?"]),
    "thickness zero": (
        "  thickness_mm: 0.75", "  thickness_mm: 0", "thickness_mm", "panel.thickness_mm",
        ["0 found", "expected 0.3 to 4 mm"]),
    "thickness negative": (
        "  thickness_mm: 0.75", "  thickness_mm: -0.75", "thickness_mm", "panel.thickness_mm",
        ["-0.75 found", "expected 0.3 to 4 mm"]),
    "not a number": (
        "  thickness_mm: 0.75", "  thickness_mm: .nan", "thickness_mm", "panel.thickness_mm",
        ["nan found", "expected 0.3 to 4 mm"]),
    "infinite": (
        "  fine_mm: 4", "  fine_mm: .inf", "fine_mm", "mesh.fine_mm",
        ["inf found", "expected 0.25 to 50 mm"]),
    "number beyond all floats": (
        "  fine_mm: 4", "  fine_mm: 1" + 400 * "0", "fine_mm", "mesh.fine_mm",
        ["expected a number that can be read"]),
    "no value": (
        "  thickness_mm: 0.75", "  thickness_mm:", "thickness_mm", "panel.thickness_mm",
        ["no value found", "leave the key out"]),
    "no value for a block": (
        "  method: strike", "", "history", "history", ["no value found"]),
    "block where a number belongs": (
        "  fine_mm: 4", "  fine_mm: {a: 1}", "fine_mm", "mesh.fine_mm",
        ["a block found", "expected a number"]),
    "list where a block belongs": (
        "  fine_mm: 4", "  [4]", "mesh", "mesh", ["a list of 1 found", "expected a block"]),
    "number for a text": (
        "title: A bowl in a curved panel", "title: 12", "title", "title",
        ["12 found", "put it in quotes"]),
    "empty text": (
        "title: A bowl in a curved panel", "title: ''", "title", "title", ["empty text"]),
    "missing key": (
        "  thickness_mm: 0.75\n", "", "panel:", "panel.thickness_mm",
        ["key missing", "expected a number, 0.3 to 4 mm"]),
    "missing key of a list item": (
        "depth_mm: 4, ", "", "kind: bowl", "dent.shapes[0].depth_mm", ["key missing"]),
    "duplicate key": (
        "  thickness_mm: 0.75", "  thickness_mm: 0.75\n  thickness_mm: 0.8",
        "thickness_mm: 0.8", "panel.thickness_mm", ["given twice", "line 9"]),
    "key that is no word": (
        "  fine_mm: 4", "  4: 4", "  4: 4", "mesh", ["key '4' found", "expected a word"]),
    "anchor": (
        "    top: free", "    top: &e free", "&e", "panel.edges.top", ["anchor or alias 'e'"]),
    "tag": (
        "    top: free", "    top: !special free", "!special", "panel.edges.top",
        ["tag '!special' found"]),
    "other format": (
        "format: 1", "format: 2", "format", "format", ["2 found", "expected 1"]),
    "whole number with a fraction": (
        "  fine_mm: 4", "  layers: 5.5", "layers", "mesh.layers",
        ["5.5 found", "expected a whole number, 3 to 15"]),
    "too many layers": (
        "  fine_mm: 4", "  layers: 50", "layers", "mesh.layers", ["50 found", "3 to 15"]),
    "degree": (
        "  fine_mm: 4", "  degree: 4", "degree", "mesh.degree", ["4 found", "one of 2, 3"]),
    "unknown kind of shape": (
        "kind: crease", "kind: creese", "kind: creese", "dent.shapes[1].kind",
        ["'creese' found", "did you mean 'crease'?"]),
    "shape without kind": (
        "kind: bowl, ", "", "depth_mm: 4", "dent.shapes[0].kind",
        ["key missing", "expected one of bowl, crease"]),
    "shape that is a word": (
        "    - {kind: bowl, x_mm: 10, y_mm: 0, depth_mm: 4, length_mm: 100, width_mm: 80}",
        "    - bowl", "- bowl", "dent.shapes[0]", ["'bowl' found", "'kind' one of bowl, crease"]),
    "depth with its sign": (
        "depth_mm: 4,", "depth_mm: -4,", "kind: bowl", "dent.shapes[0].depth_mm",
        ["-4 found", "expected 0.05 to 60 mm"]),
    "word for a switch": (
        "x_mm: 0, y_mm: 90,", "x_mm: 0, y_mm: 90, bonded: yes,", "name: beam",
        "panel.supports[0].bonded", ["'yes' found", "expected true or false"]),
    "tab as a number": (
        "[round-30,", "[30,", "tabs", "kit.tabs[0]", ["30 found", "expected text or a block"]),
    "missing CSV": (
        "  shapes:\n", "  points_csv: gauge.csv\n  shapes:\n", "points_csv", "dent.points_csv",
        ["no file 'gauge.csv'"]),
    "CSV that is a folder": (
        "  shapes:\n", "  points_csv: .\n  shapes:\n", "points_csv", "dent.points_csv",
        ["'.' is a folder"]),
    "CSV name that is a number": (
        "  shapes:\n", "  points_csv: 3\n  shapes:\n", "points_csv", "dent.points_csv",
        ["3 found", "expected a file name"]),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_value_is_one_line_with_file_line_and_key(name: str, write: Write) -> None:
    old, new, marks, key, parts = BAD[name]
    text = broken(old, new)
    file = write(text)
    with pytest.raises(InputErrors) as caught:
        load_case(file)
    errors = caught.value.errors
    assert len(errors) == 1, [str(error) for error in errors]
    message = str(errors[0])
    assert message.startswith(f"{file}:{line_of(text, marks)}: {key}: ")
    assert "\n" not in message
    for part in parts:
        assert part in message


def test_the_sound_case_is_sound(write: Write) -> None:
    case = load_case(write(SOUND))
    assert case.panel.thickness_mm == 0.75


def test_all_faults_at_once_in_the_order_of_lines(write: Write) -> None:
    text = SOUND
    for old, new in (("surface: curved", "surface: round"), ("thickness_mm: 0.75",
                     "thickness_mm: 75"), ("fine_mm: 4", "fine_mm: 40"),
                     ("kind: crease", "kind: fold"), ("crown-first]", "outside-in]")):
        assert text.count(old) == 1
        text = text.replace(old, new)
    with pytest.raises(InputErrors) as caught:
        load_case(write(text))
    keys = [error.key for error in caught.value.errors]
    assert keys == ["panel.surface", "panel.thickness_mm", "mesh.fine_mm", "dent.shapes[1].kind",
                    "strategies[1]"]
    lines = [error.line or 0 for error in caught.value.errors]
    assert lines == sorted(lines)
    assert str(caught.value).count("\n") == 4


def test_near_csv_is_suggested(write: Write, tmp_path: Path) -> None:
    (tmp_path / "gauge-points.csv").write_text("x_mm,y_mm,d_mm\n")
    text = SOUND[: SOUND.index("dent:")] + "dent:\n  points_csv: gauge_points.csv\n"
    with pytest.raises(InputErrors, match=r"did you mean 'gauge-points.csv'\?"):
        load_case(write(text))


def test_names_from_catalogues_are_checked_when_given(write: Write) -> None:
    file = write(SOUND)
    with pytest.raises(InputErrors) as caught:
        load_case(file, strategies=["centre-first"], grades=["GRADES"], tabs=["round-20"],
                  tips=["ball-10"], glues=["hot-melt"])
    assert [error.key for error in caught.value.errors] == [
        "panel.grade", "kit.tips[0]", "kit.glue", "kit.tabs[0]", "strategies[1]"]
    assert "did you mean 'GRADES'?" in str(caught.value)
