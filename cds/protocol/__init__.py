"""The two sides of a CDS Hooks call, as the standard has them."""
