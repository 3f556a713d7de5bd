"""What the driver asks for while driving: buttons of wheels, pads and boxes, and keys, with no window in front."""
