"""B-spline bases and patches."""
