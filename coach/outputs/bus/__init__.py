"""What joins the processes: one message table, sockets that never block the engine."""
