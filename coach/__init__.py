"""A live in-session audio and overlay coach: telemetry in, two or three well-timed words out."""

__version__ = "0.1.0"
APP = "corner-coach"
"""The name under which things are kept on a machine."""
