"""All problems by name: as the verification manual solves them, and quick ones for every run."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from simkit.study.problems import obstacle, plates, point_tests, second_opinion, strips, sze
from simkit.study.problems.check import Check

Problem = Callable[[], list[Check]]

MANUAL: dict[str, Problem] = {
    "small square": plates.small_square,
    "small circular": plates.small_circular,
    "Levy's square": plates.levy_square,
    "von Karman's circles": plates.von_karman_circles,
    "Scordelis-Lo roof": obstacle.scordelis_lo,
    "pinched cylinder": obstacle.pinched_cylinder,
    "pinched hemispheres": obstacle.pinched_hemisphere,
    "clamped hypar": partial(obstacle.clamped_hypar, 40),
    "sphere under a point": obstacle.sphere_point,
    "cantilever, end shear": sze.cantilever_shear,
    "cantilever, end moment": sze.cantilever_moment,
    "slit annulus": sze.slit_annulus,
    "hemisphere with hole": sze.holed_hemisphere,
    "pinched semi-cylinder": sze.pinched_semicylinder,
    "hinged roof, snap-through": partial(sze.roof_checks, 12.7),
    "hinged roof, snap-back": partial(sze.roof_checks, 6.35),
    "strip springback": strips.strip_springback,
    "tension and stretch": point_tests.tension_and_stretch,
    "reversed tension": point_tests.reversed_tension,
    "plates by scikit-fem": second_opinion.second_opinion,
}
"""Together about a minute on one core."""

QUICK: dict[str, Problem] = {
    **MANUAL,
    "small square, quadratic": partial(plates.small_square, 40, 2, 0.5),
    "Levy's square": partial(plates.levy_square, 8),
    "von Karman's circles": partial(plates.von_karman_circles, 8),
    "clamped hypar": obstacle.clamped_hypar,
    "slit annulus": partial(sze.slit_annulus, 6, 48, 2),
    "hemisphere with hole": partial(sze.holed_hemisphere, 20, 3, levels=(0.1, 0.25, 0.5)),
    "pinched semi-cylinder": partial(sze.pinched_semicylinder, 16, 16, 3, crowding=1.3,
                                     levels=(0.1, 0.2, 0.3)),
    "hinged roof, snap-through": partial(sze.roof_checks, 12.7, 8, 3),
    "hinged roof, snap-back": partial(sze.roof_checks, 6.35, 8, 3),
}
"""The same with fewer elements or load levels where they are slow, and one of degree 2."""
