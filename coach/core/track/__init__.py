"""The track: reference lap, corners, zones, distances."""
