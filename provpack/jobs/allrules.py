"""Every rule of the program, by what it is about: for the table in the documentation."""

from __future__ import annotations

from provpack.chunks import rules as chunk_rules
from provpack.edge import bench_rules
from provpack.findings import Rule
from provpack.jobs import (
    auditrules,
    benchrules,
    correctrules,
    custodyrules,
    deliveryrules,
    deriverules,
    harvestrules,
    healrules,
    notsynced,
    passrules,
    rules,
    tracerules,
    valuerules,
    wraprules,
)
from provpack.model import measuredrules
from provpack.model import rules as record_rules
from provpack.package import heldrules, metadata_check, needrules, premis_check, profilerules, signrules
from provpack.package import rules as package_rules

ALL_RULES: tuple[tuple[str, tuple[Rule, ...]], ...] = (
    ("The record: what is declared, and domain rules 1 to 30", record_rules.RULES),
    ("What was measured against what is declared", measuredrules.RULES),
    ("Passes and their assembly", passrules.RULES),
    ("Derivatives", deriverules.RULES),
    ("The sheets, equipment and files of a job", (*rules.RULES, *valuerules.RULES, *correctrules.RULES)),
    ("The bench log", (*bench_rules.RULES, *benchrules.BENCH_RULES)),
    ("Wrapping", wraprules.RULES),
    ("File systems that cannot sync a folder", notsynced.RULES),
    ("Names held back", heldrules.RULES),
    ("Audio files and their chunks", chunk_rules.RULES),
    ("Packages and other bags", package_rules.RULES),
    ("PREMIS documents", premis_check.RULES),
    ("Metadata documents against the package", metadata_check.RULES),
    ("BagIt profiles", profilerules.PROFILE_RULES),
    ("Clients' requirements", needrules.NEED_RULES),
    ("Signatures and lists of signers", signrules.RULES),
    ("The custody ledger", custodyrules.RULES),
    ("Handing over, taking in, closing", deliveryrules.RULES),
    ("Filling the catalogue", harvestrules.RULES),
    ("Tracing equipment", tracerules.RULES),
    ("Looking back", auditrules.RULES),
    ("Healing, and second copies", healrules.RULES),
)
"""(title, rules) in the order of the table."""


def rule_table() -> str:
    """The table as Markdown: for each group a heading and one row per rule."""
    parts = []
    for title, group in ALL_RULES:
        rows = [
            f"| `{r.id}` | {r.severity} | {_cell(r.title)} | {_cell(r.todo)} | {_cell(r.reference)} |"
            for r in group
        ]
        head = ["| rule | severity | what | what to do | reference |", "|---|---|---|---|---|"]
        parts.append("\n".join([f"### {title}", "", *head, *rows]))
    return "\n\n".join(parts) + "\n"


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")
