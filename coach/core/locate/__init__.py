"""Locates the car: from frames to a place on the reference."""
