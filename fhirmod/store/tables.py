"""The tables, once for SQLite and PostgreSQL; the revisions under `migrations` make the same ones.

::

    resource --< version        every version ever written, exact bytes; (episode, its version) when in one
        |------< token          current version only: (param, value, system)
        |------< reference      current version only: (param, target)
        |------< search_value   current version only: every further search parameter (`field`), texts and ranges
        |------< member         which episodes it belongs to, and why
        '------- shared         versions seen by a further episode than the one they were written in
    episode     entry_log     held     identity     outbox     told     job     upkeep

`rid` is a small number that stands for (type, id) in every index: ids have up to 64 characters, and the
token and reference tables would hold each about forty times per entry. The tables read by prefix are
WITHOUT ROWID on SQLite, so their key is the table; their columns stand in the order of the key, or
`PRAGMA integrity_check` of SQLite 3.40 reports NULLs that are not there. There are no foreign keys: one
writer fills all of this, and a check per row would cost as much as the row. Nothing here is folded or compared
by the rules of a language: what is to be found whatever its case is folded before it is stored. One index serves all
search values: what is a text has no range, and what is a range has no text or (a unit, a code) one that narrows it.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Sequence,
    Table,
    Text,
    UniqueConstraint,
    false,
)

METADATA = MetaData()
RIDS = Sequence("resource_rid", metadata=METADATA)  # PostgreSQL only
_NUMBER = BigInteger().with_variant(Integer(), "sqlite")  # only INTEGER is a row id there
_TEXT = Text().with_variant(Text(collation="C"), "postgresql")  # the order of bytes, as in SQLite, whatever the locale


def _text(name: str, *, nullable: bool = False) -> Column[str]:
    return Column(name, _TEXT, nullable=nullable)


resource = Table(
    "resource",
    METADATA,
    Column("rid", _NUMBER, primary_key=True, autoincrement=False),
    _text("type"),
    _text("id"),
    Column("version", Integer, nullable=False),
    Column("deleted", Boolean, nullable=False),
    Column("updated", Double, nullable=False),
    UniqueConstraint("type", "id", name="uq_resource_type_id"),
    Index("ix_resource_updated", "type", "updated", "rid"),
)
_living = resource.c.deleted == false()
Index("ix_resource_living", resource.c.type, resource.c.rid, sqlite_where=_living, postgresql_where=_living)

version = Table(
    "version",
    METADATA,
    Column("seq", _NUMBER, primary_key=True),  # the order of writing
    Column("rid", _NUMBER, nullable=False),
    Column("version", Integer, nullable=False),
    _text("updated"),
    _text("owner"),
    _text("method"),
    Column("body", LargeBinary),
    _text("episode_id", nullable=True),
    Column("episode_version", Integer),
    UniqueConstraint("rid", "version", name="uq_version_rid_version"),
)
_placed = version.c.episode_id.is_not(None)
Index(
    "ix_version_episode",
    version.c.episode_id,
    version.c.episode_version,
    sqlite_where=_placed,
    postgresql_where=_placed,
)

token = Table(
    "token",
    METADATA,
    Column("rid", _NUMBER, nullable=False),
    _text("param"),
    _text("value"),
    _text("system"),
    _text("type"),
    PrimaryKeyConstraint("rid", "param", "value", "system", name="pk_token"),
    Index("ix_token_value", "type", "param", "value", "system", "rid"),
    sqlite_with_rowid=False,
)

reference = Table(
    "reference",
    METADATA,
    Column("rid", _NUMBER, nullable=False),
    _text("param"),
    _text("target_type"),
    _text("target_id"),
    _text("type"),
    PrimaryKeyConstraint("rid", "param", "target_type", "target_id", name="pk_reference"),
    Index("ix_reference_target", "target_id", "target_type", "type", "param", "rid"),
    sqlite_with_rowid=False,
)

search_value = Table(
    "search_value",
    METADATA,
    Column("rid", _NUMBER, nullable=False),
    Column("field", Integer, nullable=False),  # of which type the resource is, and which parameter this is a value of
    _text("text"),
    _text("scope"),
    Column("low", Double, nullable=False),
    Column("high", Double, nullable=False),
    # a resource's rows differ, since one writer at a time makes them: PostgreSQL need not look, and its key is short
    PrimaryKeyConstraint("rid", "field", "text", "scope", "low", "high", name="pk_search_value").ddl_if("sqlite"),
    Index("ix_search_value_of", "rid", "field").ddl_if("postgresql"),
    Index("ix_search_value_found", "field", "text", "low", "rid", postgresql_include=["scope"]),  # SQLite's has it all
    sqlite_with_rowid=False,
)

member = Table(
    "member",
    METADATA,
    Column("rid", _NUMBER, nullable=False),
    _text("episode_id"),
    _text("basis", nullable=True),
    PrimaryKeyConstraint("rid", "episode_id", name="pk_member"),
    sqlite_with_rowid=False,
)

shared = Table(
    "shared",
    METADATA,
    _text("episode_id"),
    Column("seq", _NUMBER, nullable=False),
    Column("episode_version", Integer, nullable=False),
    PrimaryKeyConstraint("episode_id", "seq", name="pk_shared"),
    sqlite_with_rowid=False,
)

# what must be made anew before the record is used: a revision says so, whoever did it takes it away
upkeep = Table("upkeep", METADATA, _text("what"), PrimaryKeyConstraint("what", name="pk_upkeep"))

episode = Table(
    "episode",
    METADATA,
    Column("seq", _NUMBER, primary_key=True),  # the order of opening
    _text("id"),
    Column("version", Integer, nullable=False),
    _text("anchor_type"),
    _text("anchor_id"),
    _text("opened_at"),
    _text("facility"),
    _text("status"),
    Column("drill", Boolean, nullable=False),
    _text("protocol"),
    _text("software"),
    _text("stamp"),
    _text("kept_for"),
    Column("read_back", Integer, nullable=False),
    UniqueConstraint("id", name="uq_episode_id"),
    Index("ix_episode_status", "status", "seq"),
)

entry_log = Table(
    "entry_log",
    METADATA,
    _text("entry_id"),
    Column("digest", LargeBinary, nullable=False),
    _text("received_at"),
    _text("episode_id"),
    PrimaryKeyConstraint("entry_id", name="pk_entry_log"),
    sqlite_with_rowid=False,
)

held = Table(
    "held",
    METADATA,
    _text("episode_id"),
    _text("key"),
    _text("waiting"),
    _text("waits_for", nullable=True),
    _text("entry_id", nullable=True),
    Column("body", LargeBinary, nullable=False),
    _text("sentence"),
    _text("received_at"),
    PrimaryKeyConstraint("episode_id", "key", name="pk_held"),
)

identity = Table(
    "identity",
    METADATA,
    _text("type"),
    _text("system"),
    _text("value"),
    _text("id"),
    PrimaryKeyConstraint("type", "system", "value", name="pk_identity"),
    sqlite_with_rowid=False,
)

outbox = Table(
    "outbox",
    METADATA,
    Column("seq", _NUMBER, primary_key=True),
    _text("topic"),
    _text("subject"),
    Column("payload", LargeBinary, nullable=False),
    _text("written_at"),
    sqlite_autoincrement=True,  # a number once sent is never given to another row
)

told = Table(
    "told",
    METADATA,
    _text("key"),
    _text("written_at"),
    PrimaryKeyConstraint("key", name="pk_told"),
    sqlite_with_rowid=False,
)

job = Table(
    "job",
    METADATA,
    Column("seq", _NUMBER, primary_key=True),
    _text("kind"),
    _text("key"),
    Column("payload", LargeBinary, nullable=False),
    _text("state"),  # waiting | dead
    Column("due_at", BigInteger, nullable=False),  # ms since 1970: its time, or when the lease on it ends
    Column("attempts", Integer, nullable=False),
    _text("holder", nullable=True),  # who has leased it; the text is of this one lease
    Column("again_at", BigInteger),  # put again while leased: ms since 1970
    _text("error", nullable=True),
    UniqueConstraint("kind", "key", name="uq_job_kind_key"),
    Index("ix_job_state_due", "state", "due_at"),
    sqlite_autoincrement=True,
)
