"""Recorded sessions through the same code."""
