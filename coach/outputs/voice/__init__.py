"""Spoken cues: rendered in advance by a worker process, cached, and played with known durations."""
