"""What the source must hold: lints that ruff and the type checker do not have, and their tests."""
