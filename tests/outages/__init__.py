"""Kills, locks, freezes, restarts and reloads of the real service with two workers, under a stream of calls."""
