"""What `provpack report` prints: a package in a few sentences, for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from provpack.package.readfirst_words import one_line

WIDTH = 88


def report_lines(result: Mapping[str, Any]) -> Iterator[str]:
    """result: the object of schemas/result-report.schema.json."""
    yield f"{one_line(result['title'] or 'Without a title', 200)} ({result['package_name']})"
    for sentence in result["summary"]:
        yield from _wrapped(sentence, "  ", "  ")
    yield from _points("What to listen for", result["listen"])
    yield from _points("Cautions", result["cautions"])
    yield from _points("What today's rules say of the record", _findings(result["findings"]))
    if result["page"] is None:
        yield "The package holds no page of its own."
    elif result["serialisation"] is None:
        yield f"Its page, to be opened in a web browser: {result['page']}"
    else:
        yield f"Its page lies in the archive as {result['page']}"
    if result["written"] is not None:
        yield f"A new page was drawn: {result['written']}"
    yield "Only record and measurements were held against the manifest; `provpack verify` checks everything."


def _findings(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    return [f"{f['severity']}: {f['what']} ({f['rule']})" for f in findings]


def _points(title: str, sentences: Sequence[str]) -> Iterator[str]:
    if sentences:
        yield f"{title}:"
        for sentence in sentences:
            yield from _wrapped(sentence, "  - ", "    ")


def _wrapped(text: str, first: str, rest: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
