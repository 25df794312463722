"""Vector, thread and cache primitives that every compiled kernel uses."""
