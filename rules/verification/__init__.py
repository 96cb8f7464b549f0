"""Lint, units, proofs over the whole input space, and the evidence register."""
