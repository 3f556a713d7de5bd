"""Where telemetry comes from: every adapter turns its source into :class:`feeds.frame.Frame` values."""
