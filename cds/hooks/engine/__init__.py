"""The way from a hook request to its cards, the same for every service."""
