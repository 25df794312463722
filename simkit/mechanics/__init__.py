"""Sheet, tools and edges in equilibrium."""
