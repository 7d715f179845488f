"""The first tables: resources and their index, episodes, entries, what waits, what leaves.

Written out in full and never changed again: later tables are later revisions.
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Return nothing; the tables are there."""
    if op.get_bind().dialect.supports_sequences:
        op.execute(sa.schema.CreateSequence(sa.Sequence("resource_rid")))
    op.create_table(
        "resource",
        sa.Column("rid", NUMBER, autoincrement=False, nullable=False),
        sa.Column("type", TEXT, nullable=False),
        sa.Column("id", TEXT, nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("deleted", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("rid"),
        sa.UniqueConstraint("type", "id", name="uq_resource_type_id"),
    )
    living = sa.text("deleted = 0") if op.get_bind().dialect.name == "sqlite" else sa.text("deleted = false")
    op.create_index(
        "ix_resource_living", "resource", ["type", "rid"], sqlite_where=living, postgresql_where=living
    )
    op.create_table(
        "version",
        sa.Column("seq", NUMBER, nullable=False),
        sa.Column("rid", NUMBER, nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("updated", TEXT, nullable=False),
        sa.Column("owner", TEXT, nullable=False),
        sa.Column("method", TEXT, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=True),
        sa.Column("episode_id", TEXT, nullable=True),
        sa.Column("episode_version", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("seq"),
        sa.UniqueConstraint("rid", "version", name="uq_version_rid_version"),
    )
    placed = sa.text("episode_id IS NOT NULL")
    op.create_index(
        "ix_version_episode",
        "version",
        ["episode_id", "episode_version"],
        sqlite_where=placed,
        postgresql_where=placed,
    )
    op.create_table(
        "token",
        sa.Column("rid", NUMBER, nullable=False),
        sa.Column("param", TEXT, nullable=False),
        sa.Column("value", TEXT, nullable=False),
        sa.Column("system", TEXT, nullable=False),
        sa.Column("type", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "value", "system", name="pk_token"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_token_value", "token", ["type", "param", "value", "system", "rid"])
    op.create_table(
        "reference",
        sa.Column("rid", NUMBER, nullable=False),
        sa.Column("param", TEXT, nullable=False),
        sa.Column("target_type", TEXT, nullable=False),
        sa.Column("target_id", TEXT, nullable=False),
        sa.Column("type", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "target_type", "target_id", name="pk_reference"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_reference_target", "reference", ["target_id", "target_type", "type", "param", "rid"]
    )
    op.create_table(
        "member",
        sa.Column("rid", NUMBER, nullable=False),
        sa.Column("episode_id", TEXT, nullable=False),
        sa.Column("basis", TEXT, nullable=True),
        sa.PrimaryKeyConstraint("rid", "episode_id", name="pk_member"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "shared",
        sa.Column("episode_id", TEXT, nullable=False),
        sa.Column("seq", NUMBER, nullable=False),
        sa.Column("episode_version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("episode_id", "seq", name="pk_shared"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "episode",
        sa.Column("seq", NUMBER, nullable=False),
        sa.Column("id", TEXT, nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("anchor_type", TEXT, nullable=False),
        sa.Column("anchor_id", TEXT, nullable=False),
        sa.Column("opened_at", TEXT, nullable=False),
        sa.Column("facility", TEXT, nullable=False),
        sa.Column("status", TEXT, nullable=False),
        sa.Column("drill", sa.Boolean(), nullable=False),
        sa.Column("protocol", TEXT, nullable=False),
        sa.Column("software", TEXT, nullable=False),
        sa.Column("stamp", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("seq"),
        sa.UniqueConstraint("id", name="uq_episode_id"),
    )
    op.create_index("ix_episode_status", "episode", ["status", "seq"])
    op.create_table(
        "entry_log",
        sa.Column("entry_id", TEXT, nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("received_at", TEXT, nullable=False),
        sa.Column("episode_id", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("entry_id", name="pk_entry_log"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "held",
        sa.Column("episode_id", TEXT, nullable=False),
        sa.Column("key", TEXT, nullable=False),
        sa.Column("waiting", TEXT, nullable=False),
        sa.Column("waits_for", TEXT, nullable=True),
        sa.Column("entry_id", TEXT, nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("sentence", TEXT, nullable=False),
        sa.Column("received_at", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("episode_id", "key", name="pk_held"),
    )
    op.create_table(
        "identity",
        sa.Column("type", TEXT, nullable=False),
        sa.Column("system", TEXT, nullable=False),
        sa.Column("value", TEXT, nullable=False),
        sa.Column("id", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("type", "system", "value", name="pk_identity"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "outbox",
        sa.Column("seq", NUMBER, nullable=False),
        sa.Column("topic", TEXT, nullable=False),
        sa.Column("subject", TEXT, nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("written_at", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("seq"),
        sqlite_autoincrement=True,
    )


def downgrade() -> None:
    """Return nothing; the tables are gone, and all that was in them."""
    for name in (
        "outbox", "identity", "held", "entry_log", "episode", "shared", "member", "reference", "token", "version", "resource",
    ):
        op.drop_table(name)
    if op.get_bind().dialect.supports_sequences:
        op.execute(sa.schema.DropSequence(sa.Sequence("resource_rid")))
