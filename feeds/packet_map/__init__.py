"""A packet map describes a fixed UDP packet layout, so that any sender can be bound without code."""
