"""What else a resource is found by: one row for each value of each search parameter."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Return nothing; the table is there, and `fhirmod rebuild` fills it for what was stored before."""
    op.create_table(
        "search_value",
        sa.Column("rid", NUMBER, nullable=False),
        sa.Column("param", TEXT, nullable=False),
        sa.Column("text", TEXT, nullable=False),
        sa.Column("scope", TEXT, nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        sa.Column("type", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "text", "scope", "low", "high", name="pk_search_value"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_search_value_text", "search_value", ["type", "param", "text", "scope", "rid"])
    op.create_index("ix_search_value_low", "search_value", ["type", "param", "low", "high", "rid"])


def downgrade() -> None:
    """Return nothing; the table is gone."""
    op.drop_table("search_value")
