"""The first tables: issued cards, feedback, used tokens, audit trail, decision records."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "issued_cards",
        sa.Column("card", sa.String(64), primary_key=True),
        sa.Column("service", sa.String(64), nullable=False),
        sa.Column("rules", sa.JSON, nullable=False),
        sa.Column("rules_digest", sa.String(64), nullable=False),
        sa.Column("ruleset_version", sa.String(64), nullable=False),
        sa.Column("ruleset_hash", sa.String(64), nullable=False),
        sa.Column("patient", sa.String(64), nullable=False, comment="hash keyed with the site's secret"),
        sa.Column("facts_digest", sa.String(64), nullable=False, comment="hash keyed with the site's secret"),
        sa.Column("indicator", sa.String(16), nullable=False),
        sa.Column("tenant", sa.String(512)),
        sa.Column("unit", sa.String(256)),
        sa.Column("issued_at", _TIME, nullable=False),
    )
    op.create_index("issued_cards_by_patient", "issued_cards", ["patient", "rules_digest"])
    op.create_index("issued_cards_by_time", "issued_cards", ["issued_at"])
    op.create_table(
        "feedback",
        sa.Column("digest", sa.String(64), primary_key=True),
        sa.Column("card", sa.String(80), nullable=False),
        sa.Column("known", sa.Boolean, nullable=False, comment="whether this service issued the card"),
        sa.Column("service", sa.String(64), nullable=False),
        sa.Column("outcome", sa.String(16), nullable=False),
        sa.Column("accepted_suggestions", sa.JSON, nullable=False),
        sa.Column("reason_system", sa.String(512)),
        sa.Column("reason_code", sa.String(256)),
        sa.Column("comment_given", sa.Boolean, nullable=False),
        sa.Column(
            "comment_sealed", sa.LargeBinary, comment="free text may name a patient: kept encrypted or not at all"
        ),
        sa.Column("tenant", sa.String(512)),
        sa.Column("outcome_at", _TIME, nullable=False),
        sa.Column("received_at", _TIME, nullable=False),
    )
    op.create_index("feedback_by_card", "feedback", ["card"])
    op.create_index("feedback_by_time", "feedback", ["received_at"])
    op.create_table(
        "used_tokens",
        sa.Column("digest", sa.String(64), primary_key=True),
        sa.Column("expires_at", _TIME, nullable=False),
    )
    op.create_index("used_tokens_by_time", "used_tokens", ["expires_at"])
    op.create_table(
        "audit",
        sa.Column("entry", sa.String(36), primary_key=True),
        sa.Column("at", _TIME, nullable=False),
        sa.Column("event", sa.String(32), nullable=False),
        sa.Column("service", sa.String(64)),
        sa.Column("status", sa.Integer, nullable=False),
        sa.Column("issuer", sa.String(512), nullable=False),
        sa.Column("tenant", sa.String(512)),
        sa.Column("patient", sa.String(64), comment="hash keyed with the site's secret"),
        sa.Column("ruleset_hash", sa.String(64), nullable=False),
        sa.Column("request", sa.String(64), nullable=False, comment="the request id, as in the log and the answer"),
    )
    op.create_index("audit_by_time", "audit", ["at"])
    op.create_table(
        "decision_records",
        sa.Column("record", sa.String(36), primary_key=True),
        sa.Column("at", _TIME, nullable=False),
        sa.Column("request", sa.String(64), nullable=False),
        sa.Column("sealed", sa.LargeBinary, nullable=False, comment="facts and decision, encrypted"),
    )
    op.create_index("decision_records_by_time", "decision_records", ["at"])


def downgrade() -> None:
    """Drop the tables, with all that is in them."""
    for table in ("decision_records", "audit", "used_tokens", "feedback", "issued_cards"):
        op.drop_table(table)
