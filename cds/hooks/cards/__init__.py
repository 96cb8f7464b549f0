"""What cards say of a decision."""
