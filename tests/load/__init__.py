"""A real process under load: soak, hostile clients, capacity."""
