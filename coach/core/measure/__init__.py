"""What was driven: one pass measured, beside the reference."""
