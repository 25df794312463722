"""Nonlinear equilibrium: Newton's method, load stepping, arc length; for any residual."""
