"""Results of `jot` as lines of plain text."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Any

from provpack.package.figures import counted
from provpack.report.text import finding_lines

if TYPE_CHECKING:
    from provpack.jobs.jot import BenchView, JotResult
    from provpack.package.benchstate import Pass


def jot_lines(result: JotResult) -> Iterator[str]:
    """What was written, or what there is."""
    if result.acted is not None:
        yield f"{result.acted.words} [line {result.acted.entry['n']}]"
    if result.settings is not None:
        yield f"Chain {result.chain_id}, as sheets and bench log state it now:"
        for name, value in result.settings.items():
            yield f"  {name} = {_value(value)}"
        if not result.settings:
            yield "  nothing yet"
        yield "Look at each on the machine. To start a pass with them:"
        yield f"  provpack jot start JOB TRANSFER '{result.chain_id}' --as-shown {result.word}"
        yield "What is different now is stated with --set FIELD=VALUE."
    if result.view is not None:
        yield from _view_lines(result.view)
    for warning in result.warnings:
        yield f"Mind: {warning}"
    if result.findings:
        yield ""
        yield from finding_lines(result.findings)


def _view_lines(view: BenchView) -> Iterator[str]:
    yield f"The bench log has {counted(view.lines, 'line')}."
    if not view.running:
        yield "No pass is running."
    for run in view.running:
        one = run.one
        last = f", last: {_words(one.events[-1].type)} at {_clock(one.events[-1].at)}" if one.events else ""
        yield (
            f"RUNNING on chain {one.chain_id}: pass {one.number} of {one.transfer_id} since "
            f"{_clock(one.started_at)} ({_span(run.seconds)}), {counted(len(one.events), 'event')}{last}."
        )
    if view.waiting:
        yield f"Without a file: {'; '.join(_pass(p) for p in view.waiting)}."
    if view.unjudged:
        yield f"Not accepted yet, nor to be made again: {'; '.join(_pass(p) for p in view.unjudged)}."
    if view.not_taken_in:
        yield f"In the sheets, not taken in at the bench: {', '.join(view.not_taken_in)}."
    if view.last:
        yield "The last lines:"
    for number, at, words, counts in view.last:
        yield f"  {number:>4}  {_clock(at)}  {words}{'' if counts else ' (taken back)'}"


def _pass(one: Pass) -> str:
    return f"{one.transfer_id}, pass {one.number}, chain {one.chain_id} ({_words(one.outcome or 'unknown')})"


def _words(word: str) -> str:
    return word.replace("_", " ")


def _clock(text: str) -> str:
    """As the line has it, which is the local time of the machine that wrote it."""
    try:
        return f"{datetime.fromisoformat(text):%Y-%m-%d %H:%M:%S}"
    except ValueError:
        return text


def _span(seconds: int) -> str:
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _value(value: Any) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, list) and all(isinstance(v, str) for v in value):
        return " | ".join(value) if value else "[]"
    return json.dumps(value, ensure_ascii=False)
