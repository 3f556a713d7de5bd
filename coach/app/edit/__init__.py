"""Edits profiles between runs."""
