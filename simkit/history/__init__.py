"""How a dent was made: blows, imprints and the search for them."""
