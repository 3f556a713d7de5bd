"""The live run."""
