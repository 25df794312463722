"""How the dent came about: blows, imprints and the search for them."""
