"""One module for each group of routes."""
