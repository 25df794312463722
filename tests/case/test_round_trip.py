"""What is read is what was written: YAML 1.2 scalars, defaults, the resolved case."""

from __future__ import annotations

import io
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from pydantic import ValidationError
from ruamel.yaml import YAML
from sound_case import SOUND, broken

from simkit.case import STRATEGY_NAMES, load_case, resolved
from simkit.errors import InputError, InputErrors

Write = Callable[[str], Path]

# YAML 1.2.2 (yaml.org/spec/1.2.2), section 10.3.2 "Tag Resolution" of the core schema, written
# down from MEMORY: decimal integers may have leading zeros, 0o is octal, 0x is hexadecimal.
SCALARS = {"012": 12, "0o14": 12, "0xC": 12, "+12": 12}


def dump(data: object) -> str:
    stream = io.StringIO()
    YAML(typ="safe").dump(data, stream)
    return stream.getvalue()


@pytest.mark.parametrize("text", SCALARS)
def test_whole_numbers_of_yaml_1_2(text: str, write: Write) -> None:
    case = load_case(write(SOUND + f"seed: {text}\n"))
    assert case.seed == SCALARS[text]


@pytest.mark.parametrize("text", ["4", "4.0", "4.", "0.4e1", "40e-1", "+4.0"])
def test_ways_to_write_a_number(text: str, write: Write) -> None:
    case = load_case(write(broken("  fine_mm: 4", f"  fine_mm: {text}")))
    assert case.mesh.fine_mm == 4.0
    assert isinstance(case.mesh.fine_mm, float)


@pytest.mark.parametrize("word", ["no", "on", "Yes"])
def test_words_stay_words(word: str, write: Write) -> None:
    case = load_case(write(broken("title: A bowl in a curved panel", f"title: {word}")))
    assert case.title == word


def test_date_as_title_stays_text(write: Write) -> None:
    case = load_case(write(broken("title: A bowl in a curved panel", "title: 2020-02-30")))
    assert case.title == "2020-02-30"


def test_defaults(write: Write) -> None:
    rows = SOUND.splitlines(keepends=True)
    text = "".join(rows[:3]) + (
        "panel: {length_x_mm: 300, length_y_mm: 200, thickness_mm: 0.8, grade: G}\n")
    case = load_case(write(text))
    assert case.dent is None
    assert case.strategies == STRATEGY_NAMES
    assert case.panel.edges.left == "held"
    assert (case.mesh.fine_mm, case.mesh.coarse_mm, case.mesh.degree, case.mesh.layers) == (
        4.0, 16.0, 2, 5)
    assert (case.kit.tabs, case.kit.tips, case.kit.glue) == (
        ("round-30",), ("ball-12",), "standard-hot-melt")


def test_folder_and_file_give_the_same_case(write: Write) -> None:
    file = write(SOUND)
    assert resolved(load_case(file)) == resolved(load_case(file.parent))
    assert load_case(file.parent).file == file


def test_case_is_frozen(write: Write) -> None:
    case = load_case(write(SOUND))
    with pytest.raises(ValidationError):
        case.panel.thickness_mm = 1.0  # type: ignore[misc]
    with pytest.raises(ValidationError):
        case.title = "other"  # type: ignore[misc]


def test_resolved_loads_again_as_the_same_case(write: Write) -> None:
    first = resolved(load_case(write(SOUND)))
    again = load_case(write(dump(first)))
    assert resolved(again) == first
    assert first["mesh"]["coarse_mm"] == 16.0
    assert first["dent"]["shapes"][1]["kind"] == "crease"


def test_resolved_disc_loads_again(write: Write) -> None:
    start, end = SOUND.index("panel:"), SOUND.index("mesh:")
    disc = "panel: {outline: disc, radius_mm: 200, thickness_mm: 0.8, grade: G}\n"
    first = resolved(load_case(write(SOUND[:start] + disc + SOUND[end:])))
    assert resolved(load_case(write(dump(first)))) == first


def test_csv_is_found_from_the_case_and_named_relative_to_it(
    write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "data").mkdir()
    csv = tmp_path / "data" / "gauge.csv"
    csv.write_text("x_mm,y_mm,d_mm\n0,0,-1\n")
    write(SOUND[: SOUND.index("dent:")] + "dent: {points_csv: data/gauge.csv}\n")
    monkeypatch.chdir(tmp_path.parent)
    case = load_case(tmp_path.name)
    assert case.dent is not None
    assert case.dent.points_csv is not None
    assert case.dent.points_csv.samefile(csv)
    assert resolved(case)["dent"]["points_csv"] == "data/gauge.csv"


def errors_of(file: Path) -> tuple[InputError, ...]:
    try:
        load_case(file)
    except InputError as error:
        return (error,)
    except InputErrors as errors:
        return errors.errors
    return ()


def test_damaged_files_never_end_in_anything_but_an_input_error(tmp_path: Path) -> None:
    """Random damage; seed fixed. Anything else than a case or an input error fails the test."""
    chance = random.Random(7)
    file = tmp_path / "case.yaml"
    refused = 0
    for _ in range(150):
        text = list(SOUND)
        for _ in range(chance.randint(1, 4)):
            place = chance.randrange(len(text))
            text[place : place + chance.randint(0, 3)] = chance.choice(
                ["", "{", "]", ": ", "- ", "\n", "'", "#", "&a ", "*a", "!!int ", "~", "-1", "?",
                 "|", ">", "%", "@", "0x", ".nan", "1e999", "\t"])
        file.write_text("".join(text), encoding="utf-8")
        errors = errors_of(file)
        refused += bool(errors)
        assert all("\n" not in str(error) and error.file for error in errors)
    assert refused > 75
