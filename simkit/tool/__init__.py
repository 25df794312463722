"""Tabs, tips, glues: geometry, limits and times."""
