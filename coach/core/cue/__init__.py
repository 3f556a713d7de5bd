"""Cues: what to say, in which words, and when."""
