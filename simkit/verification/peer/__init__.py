"""A general-purpose finite element code as a peer: decks for it, its answers read back.

CalculiX (Debian package calculix-ccx) is asked the same question as simkit: a quarter panel of
layered solid elements under a rigid ball. Nothing here is needed to use simkit.
"""
