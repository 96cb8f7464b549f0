"""A decision and fit advice as text for a terminal."""
