"""Depth fields: described shapes, scattered gauge points, grids."""

from simkit.dent.field import DepthField, Quality, check_inside, outline_of
from simkit.dent.read import DentSpec, field_of_grid, field_of_points, field_of_shapes, read_dent
from simkit.dent.shapes import Bowl, Crease
from simkit.dent.strain import ShapeStrain, strain_from_shape

__all__ = [
    "Bowl", "Crease", "DentSpec", "DepthField", "Quality", "ShapeStrain", "check_inside",
    "field_of_grid", "field_of_points", "field_of_shapes", "outline_of", "read_dent",
    "strain_from_shape",
]
