"""Measures one pass beside the reference."""
