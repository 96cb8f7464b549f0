"""Cards and feedback name the client; whether a card is known is seen by joining, since its row may come after the feedback."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the client to both tables. Rows of before keep none."""
    for table, comment in (
        ("issued_cards", "the client that the card went to; none before migration 0002"),
        ("feedback", "the client that sent it; none before migration 0002"),
    ):
        op.add_column(table, sa.Column("issuer", sa.String(512), comment=comment))
    op.drop_column("feedback", "known")
