"""Driver inputs while driving: buttons of wheels, pads and boxes, and keys, without a focused window."""
