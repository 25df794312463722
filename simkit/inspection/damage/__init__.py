"""Damage reading: findings in a depth field, before any simulation."""

from simkit.inspection.damage.reading import DamageReading, Surroundings, read_damage
from simkit.inspection.damage.store import write_reading

__all__ = ["DamageReading", "Surroundings", "read_damage", "write_reading"]
