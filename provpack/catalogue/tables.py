"""The tables. The same on both engines; what differs stands in dialect.py.

package     one row per place: what its record tells. Written whole, never changed in part.
standing    one row per package: what its checks tell, and one key per question of the audit (see tallies.py).
tally       how many packages stand under a key of a question: every count is a short sum over it.
trend       the same for damage over time, per deck, decoder and stock.
file, part, raised, words   what belongs to one package.
ledger, fixity_check, sealed, carrier, fault   what the custody ledgers tell.

A check belongs to a package through (ledger, package name), or through its place where it has one, and
through its identity (see settling.py). No row says so: the two are looked up in each other. Indexes that only
questions and settling need are marked `late`: a rebuild makes them when all rows are there.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ColumnElement,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    and_,
    func,
    literal_column,
)

TOPICS = (
    "gone", "not_read", "emphasis", "rights", "chain", "due", "checked", "not_good", "once_bad", "other",
    "claim",
)  # fmt: skip
"""The questions that have a key in `standing`: NULL = the package does not come under it."""

BEFORE_ALL, AFTER_ALL = "", "\x7f"
"""Sort before and after every key; in `part`: a begin that nobody noted, an end that nobody noted."""

METADATA = MetaData()
LATE: dict[str, Any] = {"late": True}

# Order and comparison by code point on both engines.
_TEXT = Text().with_variant(Text(collation="C"), "postgresql")
_ID = BigInteger().with_variant(Integer, "sqlite")


def _text(name: str, *, must: bool = False) -> Column[str]:
    return Column(name, _TEXT, nullable=not must)


def _table(name: str, *columns: Any, rowid: bool = True) -> Table:
    return Table(name, METADATA, *columns, sqlite_with_rowid=rowid)


def beginning(column: Column[Any]) -> ColumnElement[str]:
    """The first 480 characters of a path: what is indexed, for no index takes a path of any length."""
    return func.substr(column, literal_column("1"), literal_column("480"))


def head(column: Column[Any]) -> ColumnElement[bytes]:
    """The first 8 bytes of a digest: what is indexed; the whole is compared afterwards."""
    return func.substr(column, literal_column("1"), literal_column("8"))


def is_path(column: Column[Any], path: str) -> ColumnElement[bool]:
    """Whether a path is this one, by the index of its beginning."""
    return and_(beginning(column) == path[:480], column >= path, column <= path)


def is_digest(column: Column[Any], digest: bytes) -> ColumnElement[bool]:
    """Whether a digest is this one, by the index of its head.

    ">=" and "<=" and not "=", here and above: SQLite would put what it knows to be equal into the expression
    too, and then no longer see that there is an index on it.
    """
    return and_(head(column) == digest[:8], column >= digest, column <= digest)


about = _table("about", Column("name", _TEXT, primary_key=True), _text("value", must=True), rowid=False)

root = _table("root", Column("id", _ID, primary_key=True), _text("root", must=True), _text("seen_at"),
              _text("away_since"))  # fmt: skip

package = _table(
    "package",
    Column("id", _ID, primary_key=True, autoincrement=False),
    _text("place", must=True),
    _text("place_base64"),
    _text("storage", must=True),
    _text("name", must=True),
    _text("stamp", must=True),
    Column("ledger_id", _ID),
    Column("ours", Boolean, nullable=False),
    _text("version"),
    Column("identity", LargeBinary),
    Column("identity_start", BigInteger),
    Column("payload_files", BigInteger),
    Column("payload_bytes", BigInteger),
    _text("record_id"),
    _text("record_version"),
    _text("tool_version"),
    _text("made_at"),
    _text("job_id"),
    _text("transfer_id"),
    _text("client"),
    _text("client_item_id"),
    _text("title"),
    _text("carrier_id"),
    _text("carrier_type"),
    _text("carrier_stock"),
    _text("recording_format"),
    _text("source_domain"),
    _text("outcome"),
    _text("tape_emphasis"),
    _text("file_emphasis"),
    _text("operator"),
    _text("deck_id"),
    _text("decoder_id"),
    _text("transferred_at"),
    _text("chain_check_at"),
    Column("check_age_days", BigInteger),
    _text("rights_basis"),
    _text("access_restriction"),
    _text("access_restriction_until"),
    _text("next_check_due"),
    _text("retention_until"),
    Column("audio_sha256", LargeBinary),
    Column("duration_ms", BigInteger),
    Column("damage_events", BigInteger),
    Column("damage_ms", BigInteger),
    _text("supersedes"),
    Column("names_held_back", Boolean, nullable=False),
    _text("problem", must=True),
    Column("files", Integer, nullable=False),
)
Index("package_place", beginning(package.c.place))
Index("package_ledger_name", package.c.ledger_id, package.c.name)
Index("package_identity", head(package.c.identity), info=LATE)
Index("package_identity_start", package.c.identity_start, info=LATE)
Index("package_record", package.c.record_id, info=LATE)
Index(
    "package_supersedes", package.c.supersedes, info=LATE,
    sqlite_where=package.c.supersedes.is_not(None), postgresql_where=package.c.supersedes.is_not(None),
)  # fmt: skip
Index("package_audio", head(package.c.audio_sha256), info=LATE)

standing = _table(
    "standing",
    Column("package_id", _ID, primary_key=True, autoincrement=False),
    Column("is_gone", Boolean, nullable=False),
    Column("is_superseded", Boolean, nullable=False),
    Column("is_copy", Boolean, nullable=False),
    Column("is_other", Boolean, nullable=False),
    Column("claim_fails", Boolean, nullable=False),
    Column("checks", Integer, nullable=False),
    Column("was_bad", Boolean, nullable=False),
    _text("last_at"),
    _text("last_outcome"),
    _text("last_depth"),
    _text("read_at"),
    _text("read_outcome"),
    *(_text(topic) for topic in TOPICS),
)
for _topic in TOPICS:
    Index(
        f"standing_{_topic}", standing.c[_topic], standing.c.package_id, info=LATE,
        sqlite_where=standing.c[_topic].is_not(None), postgresql_where=standing.c[_topic].is_not(None),
    )  # fmt: skip

file = _table(
    "file",
    Column("package_id", _ID, primary_key=True, autoincrement=False),
    Column("n", Integer, primary_key=True, autoincrement=False),
    _text("path", must=True),
    _text("role"),
    Column("bytes", BigInteger),
    Column("sha256", LargeBinary),
    Column("sha512", LargeBinary),
    rowid=False,
)
Index("file_sha256", head(file.c.sha256), info=LATE)
Index("file_sha512", head(file.c.sha512), info=LATE)

part = _table(
    "part",
    Column("package_id", _ID, primary_key=True, autoincrement=False),
    Column("n", Integer, primary_key=True, autoincrement=False),
    _text("what", must=True),
    _text("role", must=True),
    Column("pass_n", BigInteger),
    _text("started_at", must=True),
    _text("stopped_at", must=True),
    rowid=False,
)
Index(
    "part_what", part.c.what, part.c.stopped_at, part.c.started_at, part.c.package_id, part.c.n, info=LATE
)  # fmt: skip

raised = _table(
    "raised",
    Column("package_id", _ID, primary_key=True, autoincrement=False),
    Column("rule", _TEXT, primary_key=True),
    _text("severity", must=True),
    Column("times", Integer, nullable=False),
    _text("what", must=True),
    _text("where", must=True),
    rowid=False,
)
Index("raised_rule", raised.c.rule, raised.c.package_id, info=LATE)

ledger = _table(
    "ledger",
    Column("id", _ID, primary_key=True, autoincrement=False),
    _text("path", must=True),
    Column("lines", BigInteger, nullable=False),
    _text("head", must=True),
    Column("size", BigInteger, nullable=False),
    _text("broken", must=True),
    Column("checks", Integer, nullable=False),
    Column("open_carriers", Integer, nullable=False),
)
Index("ledger_path", beginning(ledger.c.path))
Index(
    "ledger_broken", ledger.c.id, info=LATE,
    sqlite_where=ledger.c.broken != "", postgresql_where=ledger.c.broken != "",
)  # fmt: skip

fixity_check = _table(
    "fixity_check",
    Column("ledger_id", _ID, primary_key=True, autoincrement=False),
    Column("package", _TEXT, primary_key=True),
    Column("line", BigInteger, primary_key=True, autoincrement=False),
    _text("at", must=True),
    _text("outcome", must=True),
    _text("depth"),
    _text("tool_version"),
    Column("identity_start", BigInteger),
    _text("place"),
    rowid=False,
)
Index(
    "fixity_check_place", beginning(fixity_check.c.place),
    sqlite_where=fixity_check.c.place.is_not(None), postgresql_where=fixity_check.c.place.is_not(None),
)  # fmt: skip
Index("fixity_check_identity", fixity_check.c.identity_start, info=LATE)

sealed = _table(
    "sealed",
    Column("ledger_id", _ID, primary_key=True, autoincrement=False),
    Column("package", _TEXT, primary_key=True),
    Column("line", BigInteger, primary_key=True, autoincrement=False),
    _text("at", must=True),
    Column("identity", LargeBinary),
    Column("stays", Boolean, nullable=False),
    Column("superseded", Boolean, nullable=False),
    Column("unknown", Boolean, nullable=False),
    _text("record_id"),
    rowid=False,
)
Index(
    "sealed_unknown", sealed.c.ledger_id, sealed.c.line, info=LATE,
    sqlite_where=sealed.c.unknown.is_(True), postgresql_where=sealed.c.unknown.is_(True),
)  # fmt: skip
Index("sealed_identity", head(sealed.c.identity), info=LATE)
Index("sealed_record", sealed.c.record_id, info=LATE)

carrier = _table(
    "carrier",
    Column("ledger_id", _ID, primary_key=True, autoincrement=False),
    Column("carrier", _TEXT, primary_key=True),
    _text("client"),
    _text("received_at"),
    _text("ended"),
    _text("ended_at"),
    rowid=False,
)
Index(
    "carrier_open", carrier.c.received_at, carrier.c.ledger_id, carrier.c.carrier, info=LATE,
    sqlite_where=carrier.c.ended.is_(None), postgresql_where=carrier.c.ended.is_(None),
)  # fmt: skip

fault = _table(
    "fault",
    Column("ledger_id", _ID, primary_key=True, autoincrement=False),
    Column("n", Integer, primary_key=True, autoincrement=False),
    _text("equipment", must=True),
    _text("notice_id"),
    _text("since"),
    _text("until"),
    _text("noted_at"),
    _text("cleared_at"),
    _text("what", must=True),
    rowid=False,
)
Index("fault_equipment", fault.c.equipment)

tally = _table(
    "tally",
    Column("topic", _TEXT, primary_key=True),
    Column("key", _TEXT, primary_key=True),
    Column("n", BigInteger, nullable=False),
    rowid=False,
)

trend = _table(
    "trend",
    Column("subject", _TEXT, primary_key=True),
    Column("name", _TEXT, primary_key=True),
    Column("month", _TEXT, primary_key=True),
    Column("transfers", BigInteger, nullable=False),
    Column("unmeasured", BigInteger, nullable=False),
    Column("audio_ms", BigInteger, nullable=False),
    Column("damage_events", BigInteger, nullable=False),
    Column("damage_ms", BigInteger, nullable=False),
    rowid=False,
)
