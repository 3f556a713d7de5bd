"""Between runs: the profile edited."""
