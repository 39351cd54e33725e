"""The table of rules in DEVELOPERS.md is generated. To write it anew after a change of rules:

PROVPACK_WRITE_DOCS=1 .venv/bin/python -m pytest tests/unit/docs
"""

from __future__ import annotations

import importlib
import os
import pkgutil
from pathlib import Path

import provpack
from provpack.findings import Rule
from provpack.jobs.allrules import ALL_RULES, rule_table

DOCUMENT = Path(__file__).parents[3] / "DEVELOPERS.md"
BEGIN, END = "<!-- rules: generated, see tests/unit/docs -->\n", "<!-- end of rules -->\n"


def declared() -> dict[str, Rule]:
    """Every Rule that any module of the program holds, by id."""
    out: dict[str, Rule] = {}
    for module in pkgutil.walk_packages(provpack.__path__, "provpack."):
        if not module.name.endswith("__main__"):
            for value in vars(importlib.import_module(module.name)).values():
                if isinstance(value, Rule):
                    assert out.setdefault(value.id, value) is value, value.id
    return out


def test_every_rule_of_the_program_is_in_the_table_once() -> None:
    listed = [rule for _, group in ALL_RULES for rule in group]
    assert len({r.id for r in listed}) == len(listed)
    assert {r.id for r in listed} == set(declared())


def test_the_table_in_the_document_is_the_one_generated() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    wanted = f"{before}{BEGIN}\n{rule_table()}\n{END}{after}"
    if os.environ.get("PROVPACK_WRITE_DOCS") == "1":
        DOCUMENT.write_text(wanted, encoding="utf-8")
        return
    assert text == wanted, "Write it anew: PROVPACK_WRITE_DOCS=1 .venv/bin/python -m pytest tests/unit/docs"


def test_every_rule_says_what_to_do_in_words() -> None:
    for rule in declared().values():
        assert rule.title and rule.todo and rule.severity in ("error", "warning", "note"), rule.id
        assert rule.todo.endswith((".", "?", ")")) and "|" not in rule.id, rule.id
