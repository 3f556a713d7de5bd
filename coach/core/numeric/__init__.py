"""Small numerical helpers."""
