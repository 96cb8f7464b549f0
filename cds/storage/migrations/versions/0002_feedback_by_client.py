"""Cards and feedback name the client; whether a card is known is seen by joining, since its row may come after the feedback."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the client to both tables. Rows of before keep none."""
    op.add_column("issued_cards", sa.Column("issuer", sa.String(512)))
    op.add_column("feedback", sa.Column("issuer", sa.String(512)))
    op.drop_column("feedback", "known")
