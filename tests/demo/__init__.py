"""The invented patients of demo_bundles: what they are told, and how long it takes to read."""
