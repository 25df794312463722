"""Kinematics and stress resultants of the thin shell."""
