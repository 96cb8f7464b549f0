"""Decisions for a table of patients in memory, on one core, against adding up every column of the same table."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from rules.batch.fact_frame import column_type
from rules.batch.polars_backend import Columns
from rules.evaluation.hit_policy import sizing_part
from rules.loading.loader import load_ruleset
from rules.testing.generators import Generator
from tests.bench.child import in_child
from tests.bench.measured import Measured, seconds

ROWS = 1_048_576
DIFFERENT = 4096
"""So many generated patients are different; the table repeats them."""
BAR = 1_000_000


def measure() -> Iterator[Measured]:
    """The rules that size, which have a bar, and all rules with everything that they say."""
    taken = in_child("tests.bench.columns:taken", POLARS_MAX_THREADS="1")
    for what, least in (("sizing", BAR), ("all", 0)):
        rules, outputs, read, deciding, adding = taken[what]
        rate = ROWS / deciding
        yield Measured(
            f"{rules} rules ({what}), {read} facts in, {outputs} columns out, {rate:,.0f} patients/s on one core",
            deciding,
            adding,
            "adding up the same columns",
            bar=f"at least {least:,} patients/s" if least else "",
            kept=rate >= least,
        )


def taken() -> dict[str, tuple[int, int, int, float, float]]:
    """Numbers of rules, columns out and facts read, and the seconds of deciding and of adding up, for both rule sets."""
    whole = load_ruleset()
    table = _table(Generator(whole).patients(DIFFERENT))
    result = {}
    for what, ruleset in (("sizing", sizing_part(whole)), ("all", whole)):
        columns = Columns(ruleset)
        # A rule's own column is how the size comes about; of the sizing part only the size is asked for.
        outputs = [
            name for name in columns.outputs if what == "all" or not name.startswith(("rule:", "fact:", "refused:"))
        ]
        read = [name for name in columns.facts if name in table.columns]
        deciding = seconds(lambda columns=columns, outputs=outputs: columns.decide(table, outputs=outputs), times=3)
        adding = seconds(lambda read=read: table.select(pl.col(read).to_physical().sum()), times=5)
        result[what] = (len(ruleset.rules), len(outputs), len(read), deciding, adding)
    return result


def _table(patients: Iterator[dict[str, object]]) -> pl.DataFrame:
    ruleset = load_ruleset()
    people = list(patients)
    given = {name: column_type(fact) for name, fact in ruleset.vocabulary.items() if fact.given != "concluded"}
    few = pl.DataFrame(
        {
            name: pl.Series([facts.get(name) for facts in people], dtype=kind, strict=False)
            for name, kind in given.items()
        }
    )
    return pl.concat([few] * (ROWS // DIFFERENT), rechunk=True)
