"""Where the car is: from frames to a place on the reference."""
