"""simkit: elastoplastic shell simulation of dent removal without filler or paint."""

__version__ = "0.1.0"
