"""From measurements to a depth field: readings, grids, scans and described shapes."""
