"""The last version of an episode that did more than add to it: who knows that one reads only what is newer."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Return nothing; the column is there. Nobody knows an episode from before this, so 0 asks nothing of anybody."""
    with op.batch_alter_table("episode") as table:
        table.add_column(sa.Column("read_back", sa.Integer(), nullable=False, server_default="0"))
    with op.batch_alter_table("episode") as table:
        table.alter_column("read_back", server_default=None)


def downgrade() -> None:
    """Return nothing; the column is gone."""
    with op.batch_alter_table("episode") as table:
        table.drop_column("read_back")
