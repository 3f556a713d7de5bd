"""Puts feeds, core and outputs together."""
