"""Which extra of the distribution brings a package that a command needs and does not find."""

from __future__ import annotations

EXTRA_OF = {
    "fpdf": "workbench",
    "hl7apy": "hl7v2",
    "numpy": "workbench",
    "opentelemetry": "otel",
    "polars": "workbench",
    "psycopg": "postgres",
    "pyarrow": "workbench",
    "pyspark": "spark",
    "z3": "gate",
}
"""Import name of each package that only an extra brings, and the smallest extra with it."""


def remedy(error: ModuleNotFoundError) -> str | None:
    """One sentence that names the extra for the package in ``error``; None where no extra brings it."""
    package = (error.name or "").partition(".")[0]
    extra = EXTRA_OF.get(package)
    if extra is None:
        return None
    return f"needs {package}, which is not installed; it comes with the extra {extra}: pip install 'nuque[{extra}]'"
