"""What free text says: its words, and whether they order a rigid neck collar."""
