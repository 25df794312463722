"""Histories of deep damage: blows by their travel, compared at the readings."""
