"""Worked cases, coverage, mutation, generated patients, and the difference between two rule sets."""
