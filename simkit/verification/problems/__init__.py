"""Problems with known answers: exact, published, or by an independent solution.

Each function solves one problem with the public parts of simkit and returns a list of
:class:`simkit.verification.problems.check.Check`. Tests and ``simkit verify`` use the same
functions.
"""
