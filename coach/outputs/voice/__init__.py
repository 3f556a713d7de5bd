"""Spoken cues: rendered beforehand by a worker process, kept in a cache, played with known durations."""
