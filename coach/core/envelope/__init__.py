"""What this driver and this car have shown together, and the speed that follows from it; evaluation only."""
