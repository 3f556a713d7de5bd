"""The editor: a local page to view a circuit, change its profile and try the cues at once."""
