"""Faults planted in the code and the knowledge, each with the test that must notice it."""
