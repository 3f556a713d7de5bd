"""Which circuit this is: profiles known on this machine."""
