"""Every key of an own tab, tip or glue changes what a tool does (or is refused: test_catalogue)."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from simkit.case.entries import entries
from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.model import Model, build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.tool.catalogue import find_glue, find_tab, find_tip

STEPS = AdvanceSettings(first_mm=0.05, largest_mm=0.3)
UP = np.array([0.0, 0.0, 1.0])
PLATE = {"thickness_mm": 4.0, "modulus_MPa": 2500.0, "stem_mm": 6.0}
TABS = {
    "round": {"diameter_mm": 24.0, **PLATE},
    "oval": {"length_mm": 30.0, "width_mm": 20.0, **PLATE},
    "strip": {"length_mm": 30.0, "width_mm": 20.0, **PLATE},
    "rounded-rectangle": {"length_mm": 30.0, "width_mm": 20.0, "corner_mm": 4.0, **PLATE},
    "blade": {"length_mm": 30.0, "width_mm": 8.0},
}
SOFT = {"facing_mm": 4.0, "facing_MPa": 200.0}
TIPS = {
    "ball": {"radius_mm": 10.0, **SOFT},
    "rounded-cylinder": {"radius_mm": 6.0, "length_mm": 30.0, **SOFT},
    "blade": {"edge_radius_mm": 4.0, "length_mm": 30.0, **SOFT},
    "flat-nose": {"radius_mm": 10.0, "nose_mm": 3.0, **SOFT},
    "block": {"length_mm": 30.0, "width_mm": 20.0, "nose_mm": 3.0, **SOFT},
}
GLUE = {"tension_MPa": 0.5, "shear_MPa": 0.1, "tension_energy_N_per_mm": 0.2,
        "shear_energy_N_per_mm": 0.02, "modulus_MPa": 15.0, "layer_mm": 0.6}


@cache
def panel() -> Model:
    """A small curved panel."""
    patch = rectangle_patch((-50.0, 50.0), (-40.0, 40.0), Curvature(300.0, 200.0), 10.0, 10.0)
    return build_model(patch, load_grade("DC04").sheet(), 0.8, dict.fromkeys(SIDES, HELD), 3)


def pulled(tab: dict, glue: dict) -> tuple[float, ...]:
    """A slanted pull, which also shears the glue."""
    model = panel()
    at = np.array([8.0, 5.0, -0.2])
    axis = np.array([0.4, 0.0, 1.0]) / np.hypot(0.4, 1.0)
    tool = glue_tab(model, model.virgin(), find_tab(tab), find_glue(glue).at(20.0, 3.0), at, axis)
    done = advance(model, model.virgin(), Load(tool, 0.9), STEPS)
    return done.force_N, done.travel_mm


def pushed(tip: dict) -> float:
    """A push from the hollow side, where ends and edges bear too."""
    model, made = panel(), find_tip(tip)
    tool = set_tip(model, model.virgin(), made.body, np.array([8.0, 5.0, -0.2]), UP, 1.0,
                   facing_MPa_per_mm=made.facing_MPa_per_mm)
    return advance(model, model.virgin(), Load(tool, 0.3), STEPS).force_N


def test_all_keys_are_tried():
    """The lists above are those of the models."""
    for sort, tried in (("tabs", TABS), ("tips", TIPS)):
        for kind, keys in tried.items():
            named = entries()["kit", sort, "[]", "<own>", f"<{kind}>"].keys
            assert set(named) == {"name", "kind", *keys}
    named = entries()["kit", "glue", "<own>"].keys
    assert set(named) == {"name", *GLUE, "by_temperature", "by_age", "readings"}


@pytest.mark.parametrize("kind", TABS)
def test_every_key_of_a_tab_acts(kind):
    base = pulled({"kind": kind, **TABS[kind]}, GLUE)
    for key, value in TABS[kind].items():
        other = pulled({"kind": kind, **TABS[kind], key: 0.8 * value}, GLUE)
        assert other != pytest.approx(base, rel=1e-4), key


@pytest.mark.parametrize("kind", TIPS)
def test_every_key_of_a_tip_acts(kind):
    base = pushed({"kind": kind, **TIPS[kind]})
    for key, value in TIPS[kind].items():
        other = pushed({"kind": kind, **TIPS[kind], key: 0.7 * value})
        assert other != pytest.approx(base, rel=1e-4), key


def test_every_key_of_a_glue_acts():
    tab = {"diameter_mm": 24.0}
    base = pulled(tab, GLUE)
    for key, value in GLUE.items():
        assert pulled(tab, {**GLUE, key: 0.8 * value}) != pytest.approx(base, rel=1e-4), key
    warm = {"by_temperature": tuple({"temperature_C": t, "share_pct": p}
                                    for t, p in ((0.0, 100.0), (20.0, 60.0), (40.0, 10.0)))}
    young = {"by_age": tuple({"age_min": t, "share_pct": p} for t, p in ((1.0, 10.0), (9.0, 99.0)))}
    read = {"readings": ({"kind": "pull", "diameter_mm": 10.0, "force_N": 25.0},)}
    rest = {key: value for key, value in GLUE.items() if key != "tension_MPa"}
    for changed in ({**GLUE, **warm}, {**GLUE, **young}, {**rest, **read}):
        assert pulled(tab, changed) != pytest.approx(base, rel=1e-4)
