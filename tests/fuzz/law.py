"""What every reader owes, whatever the bytes: our own error or a result, and findings that say something."""

from __future__ import annotations

import json
import signal
import tracemalloc
from collections.abc import Callable, Iterable
from typing import Any

from provpack.errors import Bug, ProvpackError
from provpack.findings import Finding

Target = Callable[[bytes], None]

TARGETS: dict[str, Target] = {}
"""Every target by the name of its function, filled by @target."""


class Broken(AssertionError):
    """A target's invariant does not hold."""


def target(function: Target) -> Target:
    """Take a target into TARGETS. Errors we raise on purpose end it lawfully; a Bug does not."""

    def run(data: bytes) -> None:
        try:
            function(data)
        except Bug:
            raise
        except ProvpackError as err:
            lawful(all((err.code, err.what, err.where, err.todo)), f"an error that says too little: {err!r}")
            as_json(err.as_json())

    run.__doc__, run.__name__ = function.__doc__, function.__name__
    lawful(bool(function.__doc__) and function.__name__ not in TARGETS, function.__name__)
    TARGETS[function.__name__] = run
    return run


def lawful(holds: object, what: str) -> None:
    """Not an assert statement: the invariants must hold under -O too, and say what broke."""
    if not holds:
        raise Broken(what[:1000])


def told(findings: Iterable[Finding]) -> None:
    """Every finding names its rule, says what, where and what to do, and can be written as JSON."""
    found = list(findings)
    for one in found:
        lawful(one.rule and one.what and one.where and one.todo, f"a finding that says too little: {one}")
        lawful(one.severity in ("error", "warning", "note"), one.severity)
    as_json([one.as_json() for one in found[:50]])


def as_json(value: Any) -> None:
    """The value can be written as JSON and comes back the same. Half characters, which JSON may hold as
    escapes, are escaped wherever a result is printed (cli/output.py)."""
    text = json.dumps(value, allow_nan=False)
    lawful(json.loads(text) == value, "what is written as JSON does not come back")


def halves(data: bytes, parts: int) -> list[bytes]:
    """Exactly so many inputs from one: parted at the byte string `\\n--8<--\\n`, missing ones empty."""
    found = data.split(PART, parts - 1)
    return [*found, *[b""] * (parts - len(found))]


PART = b"\n--8<--\n"
"""Parts one input from the next where a reader takes several."""


class TooLong(Broken):
    """A target did not come back in time."""


MOST_SECONDS = 20.0
"""For one input; generous, for machines that do other things as well. Most take a millisecond."""
MOST_BYTES = 96 * 1024 * 1024
"""Memory that Python and numpy may take for one input, whatever sizes it declares."""


def bounded(run: Target, data: bytes, *, seconds: float = MOST_SECONDS, most: int = MOST_BYTES) -> None:
    """Run a target in bounded time and memory; in the main thread. Raises what it does, TooLong, Broken."""

    def late(_number: int, _frame: object) -> None:
        raise TooLong(f"not done after {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    tracemalloc.start()
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        run(data)
        lawful((peak := tracemalloc.get_traced_memory()[1]) <= most, f"{peak} bytes of memory were taken")
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        tracemalloc.stop()
        signal.signal(signal.SIGALRM, before)
