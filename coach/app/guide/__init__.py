"""What is handed on to others."""
