"""After the run: where the time went."""
