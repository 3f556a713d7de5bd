"""What reaches the driver and the record; none of it can stop the engine."""
