"""The window for a glance: delta bar, number, next corner, last cue."""
