"""Nonlinear and linear solvers, independent of the mechanical model."""
