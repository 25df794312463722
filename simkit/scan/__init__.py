"""Scans: from the points of a scanner to a panel surface and a depth field."""
