"""Problems with known solutions: exact, published, or solved independently.

Each function solves one problem with the public parts of simkit and returns a list of
:class:`simkit.verification.problems.check.Check`. Tests and ``simkit verify`` use the same
functions.
"""
