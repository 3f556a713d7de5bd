"""Identifies the circuit among the profiles on this machine."""
