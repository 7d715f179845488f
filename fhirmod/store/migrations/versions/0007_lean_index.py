"""The index of search values is made anew: a number for type and parameter, short words for systems, fewer rows."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Return nothing; the table is empty, and a record that holds something says that it is to be filled."""
    op.create_table("upkeep", sa.Column("what", TEXT, nullable=False), sa.PrimaryKeyConstraint("what", name="pk_upkeep"))
    op.execute("INSERT INTO upkeep SELECT 'index' WHERE EXISTS (SELECT 1 FROM resource)")
    op.drop_table("search_value")
    key = sa.PrimaryKeyConstraint("rid", "field", "text", "scope", "low", "high", name="pk_search_value")
    postgresql = op.get_bind().dialect.name == "postgresql"
    op.create_table(
        "search_value",
        sa.Column("rid", NUMBER, nullable=False),
        sa.Column("field", sa.Integer(), nullable=False),
        sa.Column("text", TEXT, nullable=False),
        sa.Column("scope", TEXT, nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        *([] if postgresql else [key]),
        sqlite_with_rowid=False,
    )
    if postgresql:
        op.create_index("ix_search_value_of", "search_value", ["rid", "field"])
    op.create_index(
        "ix_search_value_found", "search_value", ["field", "text", "low", "rid"], postgresql_include=["scope"]
    )


def downgrade() -> None:
    """Return nothing; the tables are as they were, and `fhirmod rebuild` of that software fills the index."""
    op.drop_table("upkeep")
    op.drop_table("search_value")
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
    op.create_index("ix_search_value_found", "search_value", ["type", "param", "text", "low", "rid"])
