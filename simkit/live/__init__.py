"""A page on which a trainer works a panel and everyone sees the reflections move."""
