"""Comparison with a general-purpose finite element code: writes its input, reads its results.

CalculiX (Debian package calculix-ccx) solves the same problem as simkit: a quarter panel, there of
layered solid elements, under a rigid ball. Nothing here is needed to use simkit.
"""
