"""Standard output and standard error as they are: closed, on a full disk, or read by somebody who went away.

What cannot be written to standard output is an error with an exit code of its own, wherever in the program it
was to be written; what cannot be written to standard error cannot be told at all.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from typing import Any

from provpack.errors import EnvironmentProblem

_TODO = "Send the output somewhere else, or make room, and run the same command again."
_TODO_DONE = "Send the output somewhere else, or make room; look at what was done before you run it again."
_NOT_TOLD = "What was to be told could not be written to standard output"


class OutputLost(EnvironmentProblem):
    """Standard output takes nothing."""

    def __init__(self, why: str, told: str = _NOT_TOLD, todo: str = _TODO) -> None:
        super().__init__("output-failed", f"{told}: {why}.", where="standard output", todo=todo)
        self._why = why

    def of_result(self, outcome: str, code: int) -> OutputLost:
        """The same, of a command that had come to its end."""
        done = f"The command was carried out (outcome {outcome}, exit code {code}), but its result could not "
        return OutputLost(self._why, f"{done}be written to standard output", _TODO_DONE)


class _Raw(io.RawIOBase):
    """The file behind a stream. needed: what cannot be written is an error; else it is let go.

    reached: something was given to the system. muted: what still comes goes nowhere.
    """

    def __init__(self, number: int, *, needed: bool) -> None:
        self._number = number
        self._needed = needed
        self.reached = self.muted = False

    def fileno(self) -> int:
        return self._number

    def isatty(self) -> bool:
        return os.isatty(self._number)

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        while not self.muted:
            try:
                self.reached = True
                return os.write(self._number, data)
            except BlockingIOError:  # whoever started us shares a pipe that does not wait
                import select

                select.select([], [self._number], [])
            except OSError as err:
                if not self._needed:
                    return len(data)
                if err.errno == errno.EPIPE:
                    raise
                raise OutputLost((err.strerror or str(err)).lower()) from None
        return len(data)


def take_over() -> OutputLost | None:
    """Put streams of ours in the place of standard output and error. What to say when there is no standard
    output at all.

    A number that is free is filled with nothing: else the next file opened, a ledger it may be, would be what
    somebody takes for standard output or error.
    """
    closed = sys.stdout is None
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    sys.stdout = _stream(sys.stdout, 1, needed=True)
    sys.stderr = _stream(sys.stderr, 2, needed=False)
    if not closed:
        return None
    return OutputLost(
        "it is closed", "Nothing was done, for the result could not be written to standard output"
    )


def _stream(old: Any, number: int, *, needed: bool) -> io.TextIOWrapper:
    if os.name == "nt" and isinstance(old, io.TextIOWrapper) and os.isatty(number):
        # A console there takes text, not bytes in an encoding of ours; the interpreter's own stream knows.
        old.reconfigure(errors="backslashreplace", line_buffering=True)
        return old
    encoding = getattr(old, "encoding", None) or "utf-8"
    errors, at_once = "backslashreplace", not needed or os.isatty(number)
    buffer = io.BufferedWriter(_Raw(number, needed=needed))
    return io.TextIOWrapper(buffer, encoding=encoding, errors=errors, line_buffering=at_once)


def take_back() -> bool:
    """Whether nothing of what was said on standard output has left this process; then it is forgotten, and
    something else may be said instead. False where the stream is not ours to know."""
    raw = getattr(getattr(sys.stdout, "buffer", None), "raw", None)
    if not isinstance(raw, _Raw) or raw.reached:
        return False
    raw.muted = True
    sys.stdout = _stream(sys.stdout, 1, needed=True)
    return True


def let_go() -> None:
    """Nothing more can be written to standard output: what is left of it goes nowhere, without complaint."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        number = sys.stdout.fileno()
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, number)
        os.close(nowhere)
