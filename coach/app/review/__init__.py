"""Reviews a run: where the time went."""
