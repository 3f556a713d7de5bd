"""The bus between processes: one message table, sockets that never block the engine."""
