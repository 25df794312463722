"""Panel surfaces and how their edges are held."""
