"""Derives the car's envelope from driven laps, and from it the reachable lap."""
