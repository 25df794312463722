"""Many runs: one strategy, several, and how far their answer is in doubt."""
