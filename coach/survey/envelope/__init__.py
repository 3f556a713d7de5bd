"""From driven laps to the car's envelope, and from that to the reachable lap."""
