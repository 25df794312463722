"""Histories of deep damage: blows given by their travel, compared with the readings."""
