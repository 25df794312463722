"""A stored run for other programs: time series, tables, solids, and a 3-D page of its own."""
