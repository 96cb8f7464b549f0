"""What expressions in CQL, FHIRPath and FEEL write alike, and the published codes that they compare with."""
