"""Replays recorded sessions through the live code."""
