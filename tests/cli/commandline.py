"""Run the command line, in this process or as a real one, and look at what it said."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provpack.cli.main import main
from provpack.edge import schemas


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """Exit code, and what went to standard output and standard error."""

    code: int
    out: str
    err: str

    def json(self) -> dict[str, Any]:
        """The one JSON object on standard output; fails when there is anything else."""
        value = json.loads(self.out, parse_constant=_refuse)
        assert isinstance(value, dict)
        return value


def _refuse(word: str) -> object:
    raise AssertionError(f"{word} is not JSON (RFC 8259 section 6)")


class _Stream(io.TextIOWrapper):
    def __init__(self) -> None:
        self.raw_bytes = io.BytesIO()
        super().__init__(self.raw_bytes, encoding="utf-8", errors="backslashreplace", newline="\n")

    def text(self) -> str:
        self.flush()
        return self.raw_bytes.getvalue().decode("utf-8")


def run(*words: str | Path) -> Said:
    """One command line in this process."""
    out, err = _Stream(), _Stream()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(word) for word in words])
    return Said(code=code, out=out.text(), err=err.text())


def command(*words: str | Path | bytes) -> list[str | bytes]:
    """The argument list of a real process."""
    return [sys.executable, "-m", "provpack", *(w if isinstance(w, bytes) else str(w) for w in words)]


def run_process(
    *words: str | Path | bytes, timeout: float = 60, env: Mapping[str, str] | None = None
) -> Said:
    """One command line as a process of its own."""
    done = subprocess.run(
        command(*words), capture_output=True, timeout=timeout, env={**os.environ, **(env or {})}, check=False
    )
    return Said(
        code=done.returncode,
        out=done.stdout.decode(errors="surrogateescape"),
        err=done.stderr.decode(errors="surrogateescape"),
    )


def fits(kind: str, value: object) -> None:
    """The value is what schemas/result-<kind>.schema.json describes."""
    wrong = schemas.validate(f"result-{kind}", value)
    assert not wrong, "\n".join(f"{v.pointer}: {v.message} ({v.schema_path})" for v in wrong[:10])


def told(value: Mapping[str, Any]) -> list[dict[str, str]]:
    """Every finding and problem anywhere in a result."""
    found: list[dict[str, str]] = []
    waiting: list[Any] = [value]
    while waiting:
        one = waiting.pop()
        if isinstance(one, Mapping):
            if {"what", "where", "todo"} <= set(one):
                found.append({k: str(v) for k, v in one.items()})
            waiting += one.values()
        elif isinstance(one, list):
            waiting += one
    return found


def names_of(found: Iterable[Mapping[str, str]]) -> set[str]:
    """Rule ids and error codes."""
    return {one.get("rule") or one.get("code") or "" for one in found}


def no_traceback(text: str) -> None:
    assert "Traceback" not in text, text
    assert "Exception ignored" not in text, text


def imported_by(words: Sequence[str], suspects: Sequence[str]) -> list[str]:
    """Which of the suspects a fresh interpreter has imported after it ran this command line."""
    script = (
        "import sys, io\n"
        "from provpack.cli.main import main\n"
        "sys.stdout = io.StringIO()\n"
        f"code = main({list(words)!r})\n"
        "sys.stdout = sys.__stdout__\n"
        f"print(code, *[m for m in {list(suspects)!r} if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    code, *there = done.stdout.split()
    assert code in ("0", "1"), done.stdout
    return there
