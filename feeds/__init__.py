"""Feed adapters: each turns its source into :class:`feeds.frame.Frame` values."""
