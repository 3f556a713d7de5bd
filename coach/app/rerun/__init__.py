"""Recorded frames through the core once more."""
