"""Outputs to the driver and the record; none can stop the engine."""
