"""Who may call, whom the service calls, and what the store may know."""
