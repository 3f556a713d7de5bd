"""The editor: a local page to look at a circuit, change its profile and try the cues at once."""
