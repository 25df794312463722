"""From what was measured to a depth field: readings, grids, scans and shapes."""
