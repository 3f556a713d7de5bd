"""Logged files as sessions: CSV, Parquet, ASAM MDF4 and GPX, with columns found by name and content."""
