"""Real processes of the command line that begin at once: forked from one that has imported everything.

Run as a program it reads lines of JSON {argv, out, err, signal, after, place, places}: forks, in the child
runs the command with its output in two files, sends the signal `after` seconds later, waits, and answers
{status, took}. With `places`, a file, nothing is sent from outside: the command is watched
(support/stops.py), stopped at that number of place, and writes down where that was and which there are.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from support.stops import Stops

WATCHED = ("edge", "jobs", "catalogue")
"""Rooms of provpack whose places a command can be stopped at: what writes, and what calls it."""


@dataclass(frozen=True)
class Ended:
    """How a process ended: exit code (negative: the signal that killed it), what it said, seconds it took."""

    code: int
    out: str
    err: str
    took: float


class Zygote:
    """The parent of processes that need no imports."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        found = [str(Path(__file__).parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "support.zygote"],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(found)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )

    def run(self, *words: str | Path, number: int = 0, after: float = 0.0) -> Ended:
        """One command line, stopped by the signal that many seconds after its handlers stand."""
        out, err = self._folder / "out.txt", self._folder / "err.txt"
        asked = {
            "argv": [str(w) for w in words],
            "out": str(out),
            "err": str(err),
            "signal": number,
            "after": after,
        }
        return self._ask(asked, out, err)

    def stopped_at(self, *words: str | Path, place: int) -> tuple[Ended, str, list[int]]:
        """One command line, stopped by Ctrl-C at that place (0: not); where, and all numbers of places."""
        out, err, places = (self._folder / name for name in ("out.txt", "err.txt", "places.json"))
        asked = {
            "argv": [str(w) for w in words], "out": str(out), "err": str(err), "signal": 0,
            "place": place, "places": str(places),
        }  # fmt: skip
        ended = self._ask(asked, out, err)
        told = json.loads(places.read_text())
        return ended, told["where"], told["numbers"]

    def _ask(self, asked: dict[str, Any], out: Path, err: Path) -> Ended:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps(asked).encode() + b"\n")
        self._process.stdin.flush()
        told: dict[str, Any] = json.loads(self._process.stdout.readline())
        code = os.waitstatus_to_exitcode(told["status"])
        return Ended(code, out.read_text(), err.read_text(errors="backslashreplace"), told["took"])

    def close(self) -> None:
        """End it; its children have ended."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(20)


@contextlib.contextmanager
def zygote(folder: Path) -> Iterator[Zygote]:
    """For the time of the block."""
    folder.mkdir(parents=True, exist_ok=True)
    one = Zygote(folder)
    try:
        yield one
    finally:
        one.close()


def _child(asked: dict[str, Any], ready: int) -> None:
    for path, fd in ((asked["out"], 1), (asked["err"], 2)):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), fd)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    from provpack.cli import main

    real = main.main

    stops = Stops(WATCHED, at=asked.get("place", 0))

    def begun(argv: list[str]) -> int:
        os.write(ready, b"x")
        return int(stops.during(lambda: real(argv))) if "places" in asked else real(argv)

    main.main = begun
    sys.argv = ["provpack", *asked["argv"]]
    code = 70
    try:
        main.entry()
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 1
    except BaseException:
        import traceback

        traceback.print_exc()
        code = 99
    if "places" in asked:
        told = {"where": stops.where, "numbers": stops.distinct()}
        Path(asked["places"]).write_text(json.dumps(told))
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def _serve() -> None:
    import importlib
    import pkgutil

    import provpack

    for found in pkgutil.walk_packages(provpack.__path__, "provpack."):
        if not found.name.endswith("__main__"):
            with contextlib.suppress(ImportError):
                importlib.import_module(found.name)
    for name in ("scipy.signal", "jsonschema", "jinja2", "soundfile", "bagit", "sqlalchemy.dialects.sqlite"):
        importlib.import_module(name)
    answers = os.dup(1)
    for line in sys.stdin.buffer:
        asked = json.loads(line)
        ready, told = os.pipe()
        begun = time.monotonic()
        pid = os.fork()
        if pid == 0:
            os.close(ready)
            _child(asked, told)
        os.close(told)
        os.read(ready, 1)
        os.close(ready)
        stood = time.monotonic()
        if asked["signal"]:
            time.sleep(asked["after"])
            os.kill(pid, asked["signal"])  # not waited for yet: the number is still its own
        _, status = os.waitpid(pid, 0)
        took = time.monotonic() - (stood if stood > begun else begun)
        os.write(answers, json.dumps({"status": status, "took": took}).encode() + b"\n")


if __name__ == "__main__":
    _serve()
