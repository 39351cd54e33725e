"""Printing a result: one object, as text or as JSON, and the exit code that belongs to it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import click

F = Callable[..., Any]


def json_option(function: F) -> F:
    """`--json`, the same on every command."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON object on standard output instead of text."
    )(function)


def emit(result: Mapping[str, Any], lines: Iterable[str], *, as_json: bool) -> None:
    """Print the result on standard output, as JSON or as the text lines."""
    if as_json:
        click.echo(json.dumps(result, ensure_ascii=False, indent=2))
        return
    for line in lines:
        click.echo(line)
