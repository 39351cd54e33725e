"""PostgreSQL: who may read the catalogue, and that it stays so when it is built anew.

A rebuild puts another schema in the place of the old one, and rights belong to a schema and its tables.
Sources: PostgreSQL manual, "Privileges" (aclexplode, has_schema_privilege), pg_namespace, pg_class,
pg_attribute, pg_default_acl.
"""

from __future__ import annotations

from sqlalchemy import Connection, text

from provpack.catalogue.dialect import NEXT_SCHEMA, SCHEMA
from provpack.catalogue.tables import METADATA
from provpack.errors import EnvironmentProblem

_WHO = "CASE a.grantee WHEN 0 THEN 'PUBLIC' ELSE quote_ident(pg_get_userbyid(a.grantee)) END"
_MAY_PASS_ON = "CASE WHEN a.is_grantable THEN ' WITH GRANT OPTION' ELSE '' END"

_RIGHTS = f"""
    SELECT format('GRANT %s ON SCHEMA {NEXT_SCHEMA} TO %s%s', a.privilege_type, {_WHO}, {_MAY_PASS_ON})
    FROM pg_namespace n, aclexplode(n.nspacl) a WHERE n.nspname = '{SCHEMA}' AND a.grantee <> n.nspowner
    UNION ALL
    SELECT format('GRANT %s ON TABLE {NEXT_SCHEMA}.%I TO %s%s', a.privilege_type, t.relname, {_WHO},
        {_MAY_PASS_ON})
    FROM pg_class t JOIN pg_namespace n ON n.oid = t.relnamespace, aclexplode(t.relacl) a
    WHERE n.nspname = '{SCHEMA}' AND t.relkind = 'r' AND a.grantee <> t.relowner
    AND to_regclass(format('{NEXT_SCHEMA}.%I', t.relname)) IS NOT NULL
    UNION ALL
    SELECT format('GRANT %s (%I) ON TABLE {NEXT_SCHEMA}.%I TO %s%s', a.privilege_type, c.attname, t.relname,
        {_WHO}, {_MAY_PASS_ON})
    FROM pg_attribute c JOIN pg_class t ON t.oid = c.attrelid
    JOIN pg_namespace n ON n.oid = t.relnamespace, aclexplode(c.attacl) a
    WHERE n.nspname = '{SCHEMA}' AND t.relkind = 'r' AND a.grantee <> t.relowner AND NOT c.attisdropped
    AND EXISTS (SELECT 1 FROM pg_attribute m
        WHERE m.attrelid = to_regclass(format('{NEXT_SCHEMA}.%I', t.relname)) AND m.attname = c.attname)
    UNION ALL
    SELECT format('ALTER DEFAULT PRIVILEGES FOR ROLE %I IN SCHEMA {NEXT_SCHEMA} GRANT %s ON TABLES TO %s%s',
        pg_get_userbyid(d.defaclrole), a.privilege_type, {_WHO}, {_MAY_PASS_ON})
    FROM pg_default_acl d JOIN pg_namespace n ON n.oid = d.defaclnamespace, aclexplode(d.defaclacl) a
    WHERE n.nspname = '{SCHEMA}' AND d.defaclobjtype = 'r'
    AND a.grantee <> d.defaclrole AND pg_has_role(d.defaclrole, 'USAGE')
"""
_OWNERS = f"""
    SELECT format('ALTER TABLE {NEXT_SCHEMA}.%I OWNER TO %I', t.relname, pg_get_userbyid(t.relowner))
    FROM pg_class t JOIN pg_namespace n ON n.oid = t.relnamespace
    WHERE n.nspname = '{SCHEMA}' AND t.relkind = 'r' AND t.relowner <> current_user::regrole::oid
    AND to_regclass(format('{NEXT_SCHEMA}.%I', t.relname)) IS NOT NULL
    UNION ALL
    SELECT format('ALTER SCHEMA {NEXT_SCHEMA} OWNER TO %I', pg_get_userbyid(n.nspowner))
    FROM pg_namespace n WHERE n.nspname = '{SCHEMA}' AND n.nspowner <> current_user::regrole::oid
"""
"""The schema last: who gives it away may have no right in it any more."""

_NOT_READABLE = text(
    """SELECT t.relname FROM pg_class t JOIN pg_namespace n ON n.oid = t.relnamespace
    WHERE n.nspname = :ours AND t.relkind = 'r' AND t.relname = ANY(:names)
    AND NOT has_table_privilege(t.oid, 'SELECT') ORDER BY 1"""
)


def carry_over(conn: Connection) -> None:
    """Give everybody the rights in the new schema that they have in the old one, and it the same owners."""
    for rights in (_RIGHTS, _OWNERS):
        for statement in list(conn.execute(text(rights)).scalars()):
            conn.execute(text(statement.replace(":", "\\:")))


def refuse_without_right(conn: Connection, shown: str) -> None:
    """Raise EnvironmentProblem when there is a catalogue here that may not be read.

    Without the right to use a schema its tables look as if they were not there.
    """
    row = conn.execute(
        text(
            "SELECT has_schema_privilege(oid, 'USAGE'), current_user FROM pg_namespace WHERE nspname = :ours"
        ),
        {"ours": SCHEMA},
    ).first()
    if row is None:
        return
    usable, who = bool(row[0]), str(row[1])
    names = [*METADATA.tables, "words"]
    closed = list(conn.execute(_NOT_READABLE, {"ours": SCHEMA, "names": names}).scalars()) if usable else []
    if usable and not closed:
        return
    lacks = f"SELECT on {', '.join(closed[:5])}" if usable else f"USAGE on the schema {SCHEMA}"
    role = conn.execute(text("SELECT quote_ident(current_user)")).scalar()
    raise EnvironmentProblem(
        "catalogue-not-readable",
        f"There is a catalogue, but the user {who} may not read it: the right {lacks} is missing.",
        where=shown,
        todo=f"Ask whoever keeps the catalogue to type there: GRANT USAGE ON SCHEMA {SCHEMA} TO {role}; "
        f"GRANT SELECT ON ALL TABLES IN SCHEMA {SCHEMA} TO {role};",
    )
