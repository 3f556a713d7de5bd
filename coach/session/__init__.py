"""Recorded sessions: written, read, migrated, and their history."""
