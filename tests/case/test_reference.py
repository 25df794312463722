"""JSON schema and reference page say what the models do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from simkit.case import load_case
from simkit.case.entries import entries
from simkit.case.reference import EXAMPLE, json_schema, reference_page
from simkit.units import UNIT_OF_SUFFIX, label_of_key, unit_of_key

PAGE = Path(__file__).parents[2] / "docs" / "case-file.md"


def objects(node: Any) -> list[dict[str, Any]]:
    """All schemas of blocks anywhere in the JSON schema."""
    found = []
    if isinstance(node, dict):
        if node.get("type") == "object":
            found.append(node)
        for value in node.values():
            found += objects(value)
    elif isinstance(node, list):
        for item in node:
            found += objects(item)
    return found


def test_page_in_the_docs_is_up_to_date() -> None:
    assert PAGE.read_text(encoding="utf-8") == reference_page(), (
        "run: simkit check --reference > docs/case-file.md")


def test_every_key_is_described() -> None:
    keys = [e for e in entries().values() if not e.loc[-1].startswith(("<", "["))]
    assert len(keys) > 80
    assert [e.dotted for e in keys if len(e.about) < 8] == []


def test_every_number_has_a_range_and_a_default_within_it() -> None:
    numbers = [e for e in entries().values() if "number" in e.expected and not e.keys
               and not e.expected.startswith(("one of", "text", "a list"))]
    assert len(numbers) > 50
    for entry in numbers:
        assert entry.low is not None, entry.dotted
        assert entry.high is not None, entry.dotted
        assert entry.low < entry.high
        if entry.default is not None:
            assert entry.low <= entry.default <= entry.high, entry.dotted


def test_every_number_carries_its_unit_or_counts_something() -> None:
    bare = {"minutes", "rounds", "steps", "layers", "seed", "tabs", "friction", "paint_strain",
            "prestrain", "terms", "r_0", "r_45", "r_90"}
    numbers = [e for e in entries().values() if e.low is not None]
    assert {e.loc[-1] for e in numbers if not e.unit} == bare


def test_schema_refuses_unknown_keys_and_nulls_everywhere() -> None:
    schema = json_schema()
    blocks = objects(schema)
    assert len(blocks) > 20
    assert all(block["additionalProperties"] is False for block in blocks)
    assert "'null'" not in str(schema)


def test_schema_carries_range_choices_and_default() -> None:
    schema = json_schema()
    panel = schema["$defs"]["Panel"]["properties"]
    assert (panel["thickness_mm"]["minimum"], panel["thickness_mm"]["maximum"]) == (0.3, 4.0)
    assert panel["length_x_mm"]["type"] == "number"
    assert panel["surface"]["enum"] == ["flat", "curved", "measured"]
    assert schema["$defs"]["Mesh"]["properties"]["coarse_mm"]["default"] == 16.0
    assert set(schema["required"]) == {"format", "title", "about", "panel"}


def test_example_of_the_page_loads(tmp_path: Path) -> None:
    file = tmp_path / "case.yaml"
    file.write_text(EXAMPLE)
    assert load_case(file).dent is not None


def test_unit_is_the_longest_ending() -> None:
    assert unit_of_key("stiffness_N_per_mm3") == "N/mm^3"
    assert unit_of_key("spring_N_per_mm") == "N/mm"
    assert unit_of_key("pull_force_N") == "N"
    assert unit_of_key("strategies") == ""
    assert label_of_key("max_low_mm") == "max low (mm)"
    suffixes = list(UNIT_OF_SUFFIX)
    for at, suffix in enumerate(suffixes):
        assert not any(later.endswith(suffix) for later in suffixes[at + 1:])
