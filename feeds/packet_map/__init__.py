"""A packet map describes the fixed layout of somebody's UDP packets, so that any sender can be bound without code."""
