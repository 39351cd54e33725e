"""A catalogue made to look like one of an earlier version."""

from __future__ import annotations

from sqlalchemy import Connection, text


def as_version_2(conn: Connection) -> None:
    """The table `sealed` as it was: one identity of a name, no record."""
    if conn.dialect.name == "postgresql":
        old = "DROP CONSTRAINT sealed_pkey, ADD PRIMARY KEY (ledger_id, package), DROP COLUMN record_id"
        conn.execute(text(f"ALTER TABLE sealed {old}"))
    else:
        made = str(conn.execute(text("SELECT sql FROM sqlite_master WHERE name = 'sealed'")).scalar())
        made = made.replace("package, line)", "package)")
        made = "\n".join(line for line in made.splitlines() if "record_id" not in line)
        rows = [tuple(row)[:-1] for row in conn.execute(text("SELECT * FROM sealed"))]
        conn.execute(text("DROP TABLE sealed"))
        conn.exec_driver_sql(made)
        for row in rows:
            conn.exec_driver_sql(f"INSERT INTO sealed VALUES ({', '.join('?' * len(row))})", row)
        conn.exec_driver_sql("CREATE INDEX sealed_identity ON sealed (substr(identity, 1, 8))")
    conn.execute(text("UPDATE about SET value = '2' WHERE name = 'version'"))
