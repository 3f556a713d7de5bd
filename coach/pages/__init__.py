"""Pages for reading and editing between runs."""
