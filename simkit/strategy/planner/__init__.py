"""The planner: a strategy that searches for the step that leads furthest."""
