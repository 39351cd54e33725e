"""Findings as the pages of the bench say them: for someone at a machine, who fills no column.

The finding itself keeps its words in every report; here names of fields become what the page calls them.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Final

from provpack.jobs.sheetfields import sheet_fields
from provpack.report.html_words import LABELS, label

_NAME: Final = re.compile(r"(?<![\w./\\-])'?([a-z][a-z0-9]*(?:_[a-z0-9]+)+)'?(?![\w/\\(-]|\.\w)")
_POINTER: Final = re.compile(r" ?\(/[^()]*\)")
_LEADING: Final = re.compile(r"^'([a-z]+)'(?= is missing|:| is not)")
_LINE: Final = re.compile(r"\bbench-log\.jsonl, row (\d+)(?:, column \w+)?")
_INSTEAD: Final = (
    (re.compile(r"^'passes': \[\] has too few entries.*$", re.DOTALL),
     "No pass is written down for it. Play it on the page Chains; what was played elsewhere is written down "
     "on its own page, under Passes and processing."),
    (re.compile(r"Name its file, or say by the outcome no_pcm_found or failed that there is none\."),
     "Attach the file on the page of its pass, or say under Outcome that there is none."),
    (re.compile(r" \(This applies because .*\)"), ""),
    (re.compile(r"(?<=in the defaults): (?:one of|values divided by) .*$", re.DOTALL), "."),
)  # fmt: skip
_SAID: Final = {
    "no_pcm_found": "'no digital audio found'",
    "stopped_for_safety": "'stopped for safety'",
    "not_observed": "'not observed'",
    "not_fitted": "'not fitted'",
}


def plainly(text: str) -> str:
    """What a finding says, or what to do, with what the page calls each field."""
    for pattern, words in _INSTEAD:
        text = pattern.sub(words, text)
    text = _LINE.sub(r"bench log, line \1", text)
    return _NAME.sub(_called, _LEADING.sub(_called, text))


def _called(found: re.Match[str]) -> str:
    name = found[1]
    if name in _fields():
        return f"'{label(name)}'"
    return _SAID.get(name, found[0])


@cache
def _fields() -> frozenset[str]:
    """What is called by a name of its own on the pages."""
    fields = sheet_fields()
    return frozenset((*LABELS, *fields.transfer, *fields.chain, *fields.defaults, *fields.tables))


def remedy(what: str, todo: str) -> str:
    """What to do about a finding; "" when its words, as said here, say it already."""
    said = plainly(what)
    if any(said == words for _, words in _INSTEAD) or todo in what:
        return ""
    return plainly(todo)


def place(text: str) -> str:
    """Where a finding is, without the path inside the record; the log has lines, not rows."""
    return _LINE.sub(r"bench log, line \1", _POINTER.sub("", text))
