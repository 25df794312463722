"""Checks of a case, and a summary of what it will compute."""
