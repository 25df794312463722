"""Own tools and own catalogues in a case file."""

from __future__ import annotations

from pathlib import Path

import pytest

from simkit.checks.deeper import check_case
from simkit.errors import InputErrors
from simkit.record.write import identity

CASE = """\
format: 1
title: Own tools
about: Invented for this test.
panel: {length_x_mm: 300, length_y_mm: 200, thickness_mm: 0.8, grade: DC04}
kit:
  tabs: [round-30, shop-27, {name: oval, kind: oval, length_mm: 40, width_mm: 15}]
  tips: [{name: edge, kind: blade, edge_radius_mm: 2, length_mm: 30}]
  glue: blue
  catalogues: [own.yaml]
"""
OWN = "tabs:\n  shop-27: {diameter_mm: 27}\nglues:\n  blue: {tension_MPa: 1.6}\n"


def written(folder: Path, case: str = CASE, own: str = OWN) -> str:
    (folder / "case.yaml").write_text(case)
    (folder / "own.yaml").write_text(own)
    return str(folder)


def test_own_tools_and_catalogue_are_taken(tmp_path):
    case = check_case(written(tmp_path))
    first = identity(case)
    assert first["case"]["kit"]["catalogues"] == ["own.yaml"]
    written(tmp_path, own=OWN.replace("27}", "28}"))
    assert identity(check_case(str(tmp_path))) != first


@pytest.mark.parametrize(("right", "wrong", "message"), [
    ("own.yaml]", "own.yml]", "case.yaml:9: kit.catalogues.0.: no file 'own.yml'; did you mean"),
    ("width_mm: 15}", "radius_mm: 15}", "kit.tabs.2.*radius_mm: unknown key"),
    ("glue: blue", "panel_temperature_C: 60\n  glue: blue", "known from 10 to 50 C"),
    ("glue: blue", "glue: bleu", "unknown glue 'bleu'; did you mean 'blue'"),
    ("length_mm: 30}", "length_mm: 3}", "larger than its rounding"),
])
def test_what_does_not_fit_is_refused(tmp_path, right, wrong, message):
    with pytest.raises(InputErrors, match=message):
        check_case(written(tmp_path, CASE.replace(right, wrong)))


def test_fault_in_a_catalogue_names_its_file_and_line(tmp_path):
    with pytest.raises(InputErrors, match=r"own.yaml:2: tabs.shop-27.diameter_mm: .*3 to 150 mm"):
        check_case(written(tmp_path, own=OWN.replace("27}", "0.27}")))


def test_all_faults_of_a_kit_are_named_with_their_places(tmp_path):
    case = CASE
    for right, wrong in (("[round-30, shop", "[rund-30, shop"), ("glue: blue", "glue: blau"),
                         ("edge_radius_mm: 2", "edge_radius_mm: 0.6")):
        case = case.replace(right, wrong)
    with pytest.raises(InputErrors) as caught:
        check_case(written(tmp_path, case))
    found = caught.value.errors
    assert [error.key for error in found] == ["kit.tabs[0]", "kit.tips[0]", "kit.glue"]
    assert all(error.file for error in found)
