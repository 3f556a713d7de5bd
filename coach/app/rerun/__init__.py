"""Runs recorded frames through the core again."""
