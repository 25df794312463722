"""Nonlinear and linear solvers that know nothing of sheets."""
