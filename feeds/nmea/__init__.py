"""A car with a satellite receiver: NMEA 0183 sentences over UDP, TCP, a serial line or from a file."""
