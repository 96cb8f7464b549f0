"""Silent mode: what would have been shown, and whether orders agreed with it."""

import sqlalchemy as sa
from alembic import op

from cds.storage.database_schema import UtcTime

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "silent_decisions",
        sa.Column("entry", sa.String(36), primary_key=True),
        sa.Column("at", UtcTime, nullable=False),
        sa.Column("service", sa.String(64), nullable=False),
        sa.Column("patient", sa.String(64), nullable=False, comment="hash keyed with the site's secret"),
        sa.Column("issuer", sa.String(512), nullable=False),
        sa.Column("tenant", sa.String(512)),
        sa.Column("ruleset_hash", sa.String(64), nullable=False),
        sa.Column("indicators", sa.JSON, nullable=False, comment="of the cards that would have been shown"),
        sa.Column("orders", sa.Integer, nullable=False, comment="collar orders in the call"),
        sa.Column("agrees", sa.JSON, nullable=False, comment="whether order and decision agree, by axis of the size"),
    )
    op.create_index("silent_decisions_by_time", "silent_decisions", ["at"])
