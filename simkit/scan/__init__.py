"""Scans: from the points of a scanner to an undamaged surface and a depth field."""
