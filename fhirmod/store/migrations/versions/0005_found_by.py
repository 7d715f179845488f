"""When a resource was last written stands beside it; one index of search values in place of two."""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_SOME = 1_000


def upgrade() -> None:
    """Return nothing; times are those of the current versions, and `fhirmod rebuild` makes the new kinds of values."""
    with op.batch_alter_table("resource") as table:
        table.add_column(sa.Column("updated", sa.Double(), nullable=False, server_default="0"))
    _fill(op.get_bind())
    with op.batch_alter_table("resource") as table:
        table.alter_column("updated", server_default=None)
    op.create_index("ix_resource_updated", "resource", ["type", "updated", "rid"])
    op.drop_index("ix_search_value_text", "search_value")
    op.drop_index("ix_search_value_low", "search_value")
    op.create_index("ix_search_value_found", "search_value", ["type", "param", "text", "low", "rid"])


def _fill(connection: sa.Connection) -> None:
    asked = sa.text("SELECT r.rid, v.updated FROM resource r JOIN version v ON v.rid = r.rid AND v.version = r.version")
    rows = connection.execute(asked).all()
    moved = [{"rid": rid, "updated": _microseconds(updated)} for rid, updated in rows]
    for begin in range(0, len(moved), _SOME):
        connection.execute(
            sa.text("UPDATE resource SET updated = :updated WHERE rid = :rid"), moved[begin : begin + _SOME]
        )


def _microseconds(updated: str) -> float:
    return float((datetime.fromisoformat(updated) - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() * 1_000_000)


def downgrade() -> None:
    """Return nothing; the two indexes are back and the column is gone."""
    op.drop_index("ix_search_value_found", "search_value")
    op.create_index("ix_search_value_text", "search_value", ["type", "param", "text", "scope", "rid"])
    op.create_index("ix_search_value_low", "search_value", ["type", "param", "low", "high", "rid"])
    op.drop_index("ix_resource_updated", "resource")
    with op.batch_alter_table("resource") as table:
        table.drop_column("updated")
