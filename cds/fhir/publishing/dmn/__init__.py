"""What a governance board reads as decision tables (DMN 1.3): size, need, skin inspection, people."""
