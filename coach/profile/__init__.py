"""Corner profiles and references on disk."""
