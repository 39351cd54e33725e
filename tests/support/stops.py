"""Ctrl-C at a chosen place of the program instead of at a chosen time: before any one instruction at which
the interpreter looks for signals.

It looks after a call, at the beginning of a function and where a loop turns back (CPython, Doc/c-api/init,
"evaluation loop", and Python/ceval.c: CHECK_EVAL_BREAKER; from memory). Only the first thread is watched, for
handlers run there alone.
"""

from __future__ import annotations

import dis
import functools
import signal
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import provpack

_HOUSE = Path(provpack.__file__).parent
_LOOKS = ("CALL", "RESUME", "JUMP_BACKWARD")


@functools.cache
def _places(code: CodeType) -> frozenset[int]:
    found, before = set(), ""
    for one in dis.get_instructions(code):
        if before.startswith(_LOOKS):
            found.add(one.offset)
        if one.opname.startswith("JUMP_BACKWARD"):
            found.add(int(one.argval))
        if one.opname != "CACHE":
            before = one.opname
    return frozenset(found)


class Stops:
    """Counts the places passed in the given parts of provpack; at number `at` the signal is raised.

    parts: folders or files of the package. distinct: for each place the number of its first and last pass.
    """

    def __init__(self, parts: Iterable[str], *, at: int = 0, number: int = signal.SIGINT) -> None:
        self._parts = tuple(str(_HOUSE / part) for part in parts)
        self._at, self._number, self._passed = at, number, 0
        self._seen: dict[tuple[CodeType, int], tuple[int, int]] = {}
        self.where = ""

    def during(self, work: Callable[[], Any]) -> Any:
        """Do the work, watched; what it returns or raises."""
        before = sys.gettrace()
        sys.settrace(self._calls)
        try:
            return work()
        finally:
            sys.settrace(before)

    def distinct(self) -> list[int]:
        """Numbers of all places passed, each at its first and at its last pass, in order."""
        return sorted({n for passes in self._seen.values() for n in passes})

    def _calls(self, frame: FrameType, event: str, arg: Any) -> Callable[..., Any] | None:
        if event != "call" or not frame.f_code.co_filename.startswith(self._parts):
            return None
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        return self._instructions

    def _instructions(self, frame: FrameType, event: str, arg: Any) -> Callable[..., Any] | None:
        if event != "opcode" or frame.f_lasti not in _places(frame.f_code):
            return self._instructions
        self._passed += 1
        key = (frame.f_code, frame.f_lasti)
        first, _ = self._seen.get(key, (self._passed, 0))
        self._seen[key] = (first, self._passed)
        if self._passed == self._at:
            sys.settrace(None)
            self.where = f"{frame.f_code.co_qualname}, line {frame.f_lineno}"
            signal.raise_signal(self._number)
        return self._instructions
