"""Which facilities an episode is kept for here: what decides whether this copy is the custodian's."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Return nothing; the column is there. SQLite makes the table anew, so that its text is the model's."""
    with op.batch_alter_table("episode") as table:
        table.add_column(sa.Column("kept_for", TEXT, nullable=False, server_default=""))
    with op.batch_alter_table("episode") as table:
        table.alter_column("kept_for", server_default=None)


def downgrade() -> None:
    """Return nothing; the column is gone."""
    with op.batch_alter_table("episode") as table:
        table.drop_column("kept_for")
