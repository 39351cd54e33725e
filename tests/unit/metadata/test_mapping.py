"""The mapping table itself: every field of the schema once, every row readable, the document up to date.

To write the table in DEVELOPERS.md anew:
PROVPACK_WRITE_DOCS=1 .venv/bin/python -m pytest tests/unit/metadata/test_mapping.py
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from provpack.edge import schemas
from provpack.errors import Bug
from provpack.package import mapping
from provpack.package.mapping import FIELDS, FORMS, TARGETS, mapping_table

DOCUMENT = Path(__file__).parents[3] / "DEVELOPERS.md"
BEGIN = "<!-- fields: generated, see tests/unit/metadata/test_mapping.py -->\n"
END = "<!-- end of fields -->\n"


def leaf_fields(schema: dict[str, Any], root: dict[str, Any], path: str = "") -> Iterator[str]:
    """Paths of all values a record may hold; `[]` for the entries of a list. A reference and what stands
    beside it both count, as JSON Schema 2020-12 (core, 7.7.1.1) has it."""
    branches = [schema]
    while any("$ref" in branch for branch in branches):
        for branch in list(branches):
            if "$ref" in branch:
                target: Any = root
                for step in branch["$ref"].removeprefix("#/").split("/"):
                    target = target[step]
                branches.remove(branch)
                branches += [{k: v for k, v in branch.items() if k != "$ref"}, target]
    tables = [b for b in branches if "properties" in b]
    lists = [b["items"] for b in branches if "items" in b]
    if tables:
        for table in tables:
            for name, inner in table["properties"].items():
                yield from leaf_fields(inner, root, f"{path}/{name}")
    elif lists:
        for inner in lists:
            yield from leaf_fields(inner, root, f"{path}[]")
    else:
        yield path


def without_parents(paths: set[str]) -> set[str]:
    """A list said to be one in two places is told of by the one that says more."""
    return {p for p in paths if not any(q.startswith((f"{p}/", f"{p}[]")) for q in paths)}


def test_every_field_of_the_schema_is_in_the_table_once_and_nothing_else() -> None:
    schema = schemas.bundled("transfer-record")
    wanted = without_parents(set(leaf_fields(schema, schema)))
    listed = [field.path for field in FIELDS]
    assert len(listed) == len(set(listed))
    assert set(listed) == wanted
    assert len(listed) > 250


def test_every_row_goes_somewhere_or_says_why_not() -> None:
    for field in FIELDS:
        assert bool(field.places) != bool(field.reason), field.path
        assert len(set(field.places)) == len(field.places), field.path
        for place in field.places:
            assert place.target in TARGETS
            assert place.form.partition(" '")[0] in FORMS, (field.path, place.form)
            assert place.address == place.address.strip()


def test_every_form_told_of_is_used() -> None:
    assert {p.form.partition(" '")[0] for f in FIELDS for p in f.places} == set(FORMS)


@pytest.mark.parametrize("line", ["/a = nowhere x", "/a = dc", "/a = dc title ~", "/a = "])
def test_a_row_that_cannot_be_read_is_a_fault_of_ours(line: str) -> None:
    with pytest.raises(Bug):
        mapping._read(line)


def test_a_row_goes_on_in_the_next_line() -> None:
    (first, second) = mapping._read("/a = dc title\n    ; mets @LABEL ~ within ? it is\n/b - why not\n")
    assert [(p.target, p.address, p.form, p.when) for p in first.places] == [
        ("dc", "title", "as is", ""),
        ("mets", "@LABEL", "within", "it is"),
    ]
    assert (second.path, second.places, second.reason) == ("/b", (), "why not")


def test_the_table_in_the_document_is_the_one_generated() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    assert begin and end, "DEVELOPERS.md lacks the markers of the table"
    wanted = f"{before}{BEGIN}\n{mapping_table()}\n{END}{after}"
    if os.environ.get("PROVPACK_WRITE_DOCS") == "1":
        DOCUMENT.write_text(wanted, encoding="utf-8")
        return
    assert text == wanted, "Write it anew: PROVPACK_WRITE_DOCS=1 .venv/bin/python -m pytest " + str(__file__)
