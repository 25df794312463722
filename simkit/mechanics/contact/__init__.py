"""Tips, tabs and glue that act on the sheet."""
