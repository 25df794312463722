"""Nonlinear equilibrium: Newton, load steps, arc length. Knows residuals, not sheets."""
