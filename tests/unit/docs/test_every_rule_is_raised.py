"""A rule in the table that nothing raises would promise a look that nobody takes."""

from __future__ import annotations

import ast
import importlib
import pkgutil
from pathlib import Path

import provpack
from provpack.findings import Rule

PACKAGE = Path(provpack.__path__[0])


def names_of_rules() -> dict[str, set[str]]:
    """Rule id -> the names its constant has in modules."""
    out: dict[str, set[str]] = {}
    for module in pkgutil.walk_packages(provpack.__path__, "provpack."):
        if not module.name.endswith("__main__"):
            for name, value in vars(importlib.import_module(module.name)).items():
                if isinstance(value, Rule):
                    out.setdefault(value.id, set()).add(name)
    return out


def said() -> set[str]:
    """Every name and text in the source, save where rules are declared and gathered."""
    out: set[str] = set()
    declares = ("allrules.py", "rules.py")
    for path in PACKAGE.rglob("*.py"):
        if path.name.endswith(declares) and path.name != "recordrules.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute):
                out.add(node.attr)
            elif isinstance(node, ast.Name):
                out.add(node.id)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                out.add(node.value)
    return out


def test_every_rule_is_raised_somewhere() -> None:
    words = said()
    silent = [rule for rule, names in names_of_rules().items() if rule not in words and not names & words]
    assert silent == []
