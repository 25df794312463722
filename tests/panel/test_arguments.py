"""What the builders of surfaces, models, loads and tools are given: nothing odd goes through.

EXACT by construction: every call holds one thing that means nothing, and the message names it.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.inspection.sampling import make_sampling, point_on, probe_at
from simkit.material.hardening import Sheet, Voce
from simkit.mechanics.beds import spring_bed
from simkit.mechanics.contact.attach import forming_target, glue_tab, set_tip
from simkit.mechanics.edge_loads import EdgeMoment, LineLoad
from simkit.mechanics.loads import AreaLoad, PointLoad, Pressure
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import solve_linear, solve_static
from simkit.panel.edges import FREE, HELD, SECTOR, SIDES, SYMMETRIC, Edge
from simkit.panel.shapes import cylinder_patch, mapped_patch, polar_patch, sphere_patch
from simkit.panel.surface import Curvature, Window, disc_patch, rectangle_patch
from simkit.tool.bodies import ball
from simkit.tool.catalogue import find_glue, find_tab

NAN = float("nan")
STEEL = Sheet("elastic", 200000.0, 0.3, Voce(1e9, 1e9, 1.0))
LINE = np.linspace(0.0, 40.0, 5)
DOWN = np.array([0.0, 0.0, -1.0])
SIDE = (-20.0, 20.0)


def patch(**given):
    return rectangle_patch(SIDE, SIDE, Curvature(), given.pop("fine", 10.0), 10.0, **given)


def built(thickness=0.8, edges=None, **given):
    return build_model(patch(), STEEL, thickness, edges or dict.fromkeys(SIDES, HELD), **given)


@cache
def model():
    return built()


def static(load, factors=(1.0,), probes=((0.0, 0.0),), **given):
    return solve_static(model(), load, factors, np.array(probes), **given)


def tip(at=(0.0, 0.0, 0.0), direction=DOWN, travel=5.0, **given):
    return set_tip(model(), model().virgin(), ball(10.0), np.array(at), direction, travel, **given)


def tab(axis):
    return glue_tab(model(), model().virgin(), find_tab("round-16"),
                    find_glue("standard-hot-melt"), np.zeros(3), axis)


def target(goal, stiffness=10.0, weight=None):
    return forming_target(model(), model().virgin(), goal, stiffness, weight)


def oblique():
    """A flat panel whose left side is not normal to its bottom."""
    return mapped_patch(lambda u, v: np.stack([u + 0.5 * v, v, 0.0 * u], axis=1), LINE, LINE)


def askew():
    """A flat panel that leaves the planes x = 0 and z = 0 at 45 degrees."""
    return mapped_patch(lambda u, v: np.stack([u, v, u], axis=1), LINE, LINE)


def place():
    return np.zeros(model().geometry.area.shape)


ODD = {
    "thickness below zero": (lambda: built(-1.0), "thickness_mm -1"),
    "thickness nan": (lambda: built(NAN), "thickness_mm nan"),
    "thickness a word": (lambda: built("thin"), "thickness_mm 'thin'"),
    "no layers": (lambda: built(layers=0), "layers 0"),
    "half a layer": (lambda: built(layers=2.5), "layers 2.5"),
    "no threads": (lambda: built(threads=0), "threads 0"),
    "unknown side": (lambda: built(edges={"upper": HELD}), "side 'upper'"),
    "degree 1": (lambda: build_model(patch(degree=1), STEEL, 0.8, {}), "degree 1"),
    "oblique symmetry": (lambda: build_model(oblique(), STEEL, 0.8, {"left": SYMMETRIC}),
                         "left side is no plane of symmetry"),
    "askew symmetry": (lambda: build_model(askew(), STEEL, 0.8, {"left": SYMMETRIC}),
                       "left side is no plane of symmetry"),
    "edge spring below zero": (lambda: Edge(spring_N_per_mm2=-1.0), "spring_N_per_mm2 -1"),
    "edge rotation nan": (lambda: Edge(rotation_N=NAN), "rotation_N nan"),
    "falling range": (lambda: rectangle_patch((20.0, -20.0), SIDE, Curvature(), 5.0, 5.0),
                      "x_range"),
    "no element size": (lambda: patch(fine=0.0), "fine_mm 0"),
    "coarse below fine": (lambda: rectangle_patch(SIDE, SIDE, Curvature(), 5.0, 2.0, window=Window(
        -5.0, 5.0, -5.0, 5.0)), "coarse_mm 2"),
    "window upside down": (lambda: Window(5.0, -5.0, 0.0, 1.0), "window from x 5"),
    "window off the panel": (lambda: patch(window=Window(50.0, 60.0, -5.0, 5.0)), "fine window"),
    "panel beyond its radius": (lambda: rectangle_patch(SIDE, SIDE, Curvature(10.0), 5.0, 5.0),
                                "points of the surface"),
    "disc without radius": (lambda: disc_patch(0.0, Curvature(), 5.0, 5.0), "radius_mm 0"),
    "cylinder angles in mm": (lambda: cylinder_patch(100.0, LINE, LINE), "angles from 0 to 40"),
    "sphere angles in degrees": (lambda: sphere_patch(100.0, np.linspace(0.0, 90.0, 5),
                                                      np.linspace(0.0, 1.0, 3)), "polar angles"),
    "azimuth beyond a turn": (lambda: polar_patch(LINE, np.linspace(0.0, 7.0, 5)), "azimuths"),
    "radius below zero": (lambda: polar_patch(LINE - 10.0, np.linspace(0.0, 1.0, 3)), "radii"),
    "borders that fall": (lambda: cylinder_patch(100.0, LINE[::-1] / 100.0, LINE), "angles do not"),
    "probe off the panel": (lambda: probe_at(model(), 30.0, 0.0), "x 30 mm, y 0 mm is off"),
    "place off the panel": (lambda: point_on(model(), model().virgin(), 0.0, -21.0), "is off the"),
    "probe nan": (lambda: probe_at(model(), NAN, 0.0), "x_mm nan"),
    "sampling step": (lambda: make_sampling(patch(), (-1.0, 1.0, -1.0, 1.0), 0.0), "step_mm 0"),
    "sampling extent": (lambda: make_sampling(patch(), (1.0, -1.0, -1.0, 1.0), 1.0), "extent 1"),
    "point load off the patch": (lambda: static(PointLoad(25.0, 0.0, DOWN)), "u 25 is off"),
    "point load of two numbers": (lambda: static(PointLoad(0.0, 0.0, [1.0, 2.0])), "force_N"),
    "area load nan": (lambda: static(AreaLoad([0.0, 0.0, NAN])), "per_area_MPa"),
    "pressure nan": (lambda: static(Pressure(NAN)), "MPa nan"),
    "share of another size": (lambda: static(Pressure(1.0, lambda at: at)), "where holds"),
    "line load unknown side": (lambda: static(LineLoad("upper", DOWN)), "side 'upper'"),
    "edge moment nan": (lambda: static(EdgeMoment("top", NAN)), "per_length_N nan"),
    "probes off the patch": (lambda: static(Pressure(1e-3), probes=[(0.0, 99.0)]), "v 99 is off"),
    "probes of three": (lambda: static(Pressure(1e-3), probes=[(0.0, 0.0, 0.0)]), "probes"),
    "factor nan": (lambda: static(Pressure(1e-3), factors=[NAN]), "factors"),
    "path of another size": (lambda: static(None, path=np.zeros((2, 3))), "path"),
    "linear probes": (lambda: solve_linear(model(), Pressure(1.0), np.zeros(2)), "probes"),
    "bed without stiffness": (lambda: spring_bed(patch(), lambda x, y: x > 0.0, 0.0),
                              "stiffness_N_per_mm3 0"),
    "bed with a gap below zero": (lambda: spring_bed(patch(), lambda x, y: x > 0.0, 1.0, -1.0),
                                  "gap_mm -1"),
    "bed off the panel": (lambda: spring_bed(patch(), lambda x, y: x > 99.0, 1.0), "covers no"),
    "tip off the panel": (lambda: tip((200.0, 0.0, 0.0)), "tip at x 200.0 mm"),
    "tip that passes by": (lambda: tip((31.0, 0.0, 0.0)), "does not meet the panel"),
    "tip nowhere": (lambda: tip((NAN, 0.0, 0.0)), "at holds numbers"),
    "tip without direction": (lambda: tip(direction=np.zeros(3)), "direction is no direction"),
    "tip without travel": (lambda: tip(travel=0.0), "travel_mm 0"),
    "tip without points": (lambda: tip(per_element=0), "per_element 0"),
    "tab without axis": (lambda: tab(np.zeros(3)), "axis is no direction"),
    "target of another size": (lambda: target(np.zeros(3)), "goal_mm"),
    "target without weight": (lambda: target(place(), weight=place()), "weight is zero"),
    "target without stiffness": (lambda: target(place(), 0.0), "stiffness_N_per_mm3 0"),
}


@pytest.mark.parametrize("name", ODD)
def test_what_means_nothing_is_refused_with_its_name(name):
    call, said = ODD[name]
    with pytest.raises(InputError) as found:
        call()
    assert said in str(found.value)
    assert found.value.expected


def test_a_plane_of_any_direction_may_be_a_sector():
    assert build_model(oblique(), STEEL, 0.8, {"left": SECTOR, "right": FREE}).layout.count > 0


def test_symmetry_is_found_where_it_is():
    quarter = rectangle_patch((0.0, 20.0), (0.0, 20.0), Curvature(200.0, 100.0), 5.0, 5.0)
    edges = {"left": SYMMETRIC, "bottom": SYMMETRIC}
    held = build_model(quarter, STEEL, 0.8, edges).layout.equation < 0
    on_left, on_bottom = np.abs(quarter.control[:, 0]) < 1e-9, np.abs(quarter.control[:, 1]) < 1e-9
    assert held[on_left, 0].all()
    assert held[on_bottom, 1].all()
    assert not held[:, 2].any()


def test_a_parameter_that_rounding_took_out_is_taken_back():
    found = patch().evaluation(np.array([20.0 + 1e-9]), np.array([-20.0 - 1e-9]))
    assert found.sum() == pytest.approx(1.0)
