"""What is still to be done, and what was told once: jobs with a lease, and keys that are never told again."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Return nothing; the tables are there, and each open episode is to be looked at once for what is overdue."""
    op.create_table(
        "told",
        sa.Column("key", TEXT, nullable=False),
        sa.Column("written_at", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_told"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "job",
        sa.Column("seq", NUMBER, nullable=False),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("key", TEXT, nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("state", TEXT, nullable=False),
        sa.Column("due_at", sa.BigInteger(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("holder", TEXT, nullable=True),
        sa.Column("again_at", sa.BigInteger(), nullable=True),
        sa.Column("error", TEXT, nullable=True),
        sa.PrimaryKeyConstraint("seq"),
        sa.UniqueConstraint("kind", "key", name="uq_job_kind_key"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_job_state_due", "job", ["state", "due_at"])
    empty = "x''" if op.get_bind().dialect.name == "sqlite" else "''::bytea"
    op.execute(
        "INSERT INTO job (kind, key, payload, state, due_at, attempts) "
        f"SELECT 'overdue', id, {empty}, 'waiting', 0, 0 FROM episode WHERE status = 'open'"
    )


def downgrade() -> None:
    """Return nothing; the tables are gone."""
    op.drop_table("job")
    op.drop_table("told")
