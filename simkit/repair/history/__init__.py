"""How the dent came about: histories that explain the depth field, and what their doubt means."""
