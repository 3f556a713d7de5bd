"""Where the track is: reference lap, corners, zones, distances."""
