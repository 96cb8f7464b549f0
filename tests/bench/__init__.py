"""Benchmarks: each measures a floor and the thing itself in the same run, and reports the ratio."""
