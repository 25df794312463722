"""Many runs: one strategy, several strategies, whole studies, and the uncertainty of the result."""
