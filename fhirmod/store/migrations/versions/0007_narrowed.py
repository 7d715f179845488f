"""A parameter that is another one narrowed to a type has no rows; nor has a text alone that stands beside codes."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

LONG = "\x1c"
NARROWED = (  # parameter, whose rows say it, the type, where
    ("patient", "subject", "Patient", "type NOT IN ('AdverseEvent', 'DeviceUseStatement')"),
    ("patient", "target", "Patient", "type = 'Provenance'"),
    ("practitioner", "participant", "Practitioner", "type = 'Encounter'"),
)
_ADDRESS = "(text LIKE :address OR text LIKE :inside)"
_TYPED = (
    "UPDATE search_value SET scope = :to WHERE param = :wide AND scope = '' AND low = 0 AND {address} AND {where} "
    "AND EXISTS (SELECT 1 FROM search_value n WHERE n.rid = search_value.rid AND n.param = :name "
    "AND n.text = search_value.text)"
)
_TOLD = (
    "DELETE FROM search_value WHERE param = :name AND {where} AND EXISTS (SELECT 1 FROM search_value w "
    "WHERE w.rid = search_value.rid AND w.param = :wide AND w.text = search_value.text)"
)
_BARE = (
    "DELETE FROM search_value WHERE text = '' AND scope = '' AND low = 0 AND high = 0 AND EXISTS (SELECT 1 "
    "FROM search_value c WHERE c.rid = search_value.rid AND c.param = search_value.param "
    "AND (c.scope <> '' OR c.text NOT IN ('', :long))) AND NOT EXISTS (SELECT 1 FROM search_value q "
    "WHERE q.rid = search_value.rid AND q.param = search_value.param || :number)"
)
_AGAIN = (
    "INSERT INTO search_value (rid, param, text, scope, low, high, type) SELECT rid, :name, text, "
    "CASE WHEN {address} THEN '' ELSE scope END, low, high, type FROM search_value "
    "WHERE param = :wide AND scope = :to AND low = 0 AND {where}"
)
_UNTYPED = "UPDATE search_value SET scope = '' WHERE param = :wide AND scope = :to AND low = 0 AND {address} AND {where}"


def upgrade() -> None:
    """Return nothing; what was found by such a parameter is found by the rows of the other, to which its type is told."""
    for name, wide, to, where in NARROWED:
        _run(_TYPED, where, wide=wide, to=to, name=name)
        _run(_TOLD, where, wide=wide, name=name)
    _run(_BARE, "", long=LONG, number=":number")


def downgrade() -> None:
    """Return nothing; the rows are there again, but for those of texts alone, which were asked for nothing."""
    for name, wide, to, where in NARROWED:
        _run(_AGAIN, where, wide=wide, to=to, name=name)
        _run(_UNTYPED, where, wide=wide, to=to)


def _run(statement: str, where: str, **values: str) -> None:
    asked = statement.format(address=_ADDRESS, where=where)
    likes = {"address": "%:%", "inside": "#%"} if "{address}" in statement else {}
    op.get_bind().execute(sa.text(asked), values | likes)
