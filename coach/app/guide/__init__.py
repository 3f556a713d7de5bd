"""The guide and the sighting lap."""
