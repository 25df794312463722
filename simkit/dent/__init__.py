"""Depth fields: described shapes, scattered gauge points, grids."""

from simkit.dent.field import DepthField, Quality, check_inside, outline_of
from simkit.dent.further import CreaseLine, High, Kink
from simkit.dent.shapes import Bowl, Crease
from simkit.dent.strain import ShapeStrain, strain_from_shape

__all__ = [
    "Bowl", "Crease", "CreaseLine", "DepthField", "High", "Kink", "Quality",
    "ShapeStrain", "check_inside", "outline_of",
    "strain_from_shape",
]
