"""The bench log on disk: what is appended is there, several at once, what was added, what is refused."""

from __future__ import annotations

import errno
import hashlib
import json
import math
import multiprocessing
import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from provpack.edge import benchlines, benchlog, chainedend, chainedfile
from provpack.edge.benchlog import append, read, read_new
from provpack.edge.schemas import validate
from provpack.errors import EnvironmentProblem, InputProblem
from provpack.package.benchline import LOG_NAME
from tests.support.benchlines import (
    attached,
    back,
    declared,
    detached,
    event,
    filled,
    judged,
    noted,
    started,
    stopped,
    taken_in,
)

EVENING = [
    taken_in("T01"),
    declared("title", "Größe", None, 1, note="as on the label"),
    started(
        "T01", 1, "A", 2, changed=["deck_id"], reason="second try",
        settings={"deck_id": "deck-a", "sampling_frequency": {"num": 44100000, "den": 1001}},
    ),
    event("T01", 1, "mute", 3, note="short", happened_at="2031-05-20T20:02:30+02:00"),
    noted("power flickered", 4),
    stopped("T01", 1, 5, note="ran out"),
    attached("T01", 1, "captures/a.wav", 6, frames=None, starts_at=None, starts_from="not_known"),
    detached("T01", 1, "captures/a.wav", 7),
    judged("T01", 1, "redo", 8),
    back(9, 9),
]  # fmt: skip
"""One line of every kind."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / LOG_NAME


@pytest.fixture(autouse=True)
def _as_in_a_new_process() -> Iterator[None]:
    """What was learnt of earlier files must not stand in for looking."""
    benchlog._KNOWN.clear()
    benchlog._SOUND.clear()
    yield


def test_each_line_holds_the_digest_of_the_line_before(path: Path, tool: Callable[[str], str]) -> None:
    """Outside check: coreutils sha512sum over the bytes of each line."""
    filled(path, EVENING)
    lines = path.read_bytes().split(b"\n")[:-1]
    assert json.loads(lines[0])["previous"] == "0" * 128
    for before, after in pairwise(lines):
        out = subprocess.run([tool("sha512sum")], input=before, capture_output=True, check=True)
        assert json.loads(after)["previous"] == out.stdout.split()[0].decode()


def test_what_was_appended_is_read(path: Path) -> None:
    assert read(path) == benchlog.ReadLog()
    written = filled(path, EVENING)
    benchlog._KNOWN.clear()
    log = read(path)
    assert list(log.entries) == written and log.findings == () and log.fresh
    assert log.size == path.stat().st_size
    last = path.read_bytes().splitlines()[-1]
    assert log.head == (len(EVENING), hashlib.sha512(last).hexdigest())
    assert all(validate("bench-entry", e) == [] for e in log.entries)
    assert [{k: v for k, v in e.items() if k not in ("n", "previous")} for e in log.entries] == EVENING


def test_it_is_synced_before_it_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[tuple[str, bytes]] = []
    real = os.fsync

    def watched(fd: int) -> None:
        name = str(Path(f"/proc/self/fd/{fd}").readlink())
        synced.append((Path(name).name, path.read_bytes() if path.exists() else b""))
        real(fd)

    monkeypatch.setattr(os, "fsync", watched)
    written = append(path, taken_in("T01"))
    assert [name for name, _ in synced] == [LOG_NAME, path.parent.name]  # it is born with its line in it
    assert json.loads(synced[-1][1]) == written
    second = append(path, taken_in("T02"))
    assert (LOG_NAME, path.read_bytes()) == synced[-1]
    assert json.loads(synced[-1][1].splitlines()[-1]) == second


# --- what was added ---


def test_only_what_was_added_is_given(path: Path) -> None:
    filled(path, EVENING[:3])
    log = read(path)
    again = read_new(path, log.size, log.head)
    assert (again.entries, again.fresh, again.findings, again.size, again.head) == (
        (), False, (), log.size, log.head,
    )  # fmt: skip
    new = filled(path, EVENING[3:6])
    more = read_new(path, log.size, log.head)
    assert list(more.entries) == new and not more.fresh and more.findings == ()
    assert (more.size, more.head) == (read(path).size, read(path).head)
    assert list(read_new(path, log.size).entries) == new  # without the head too
    whole = read_new(path, 0)
    assert whole.fresh and len(whole.entries) == 6


@pytest.mark.parametrize("harm", ["gone", "shorter", "other", "inside", "empty"])
def test_a_log_that_was_replaced_meanwhile_is_read_from_its_beginning(path: Path, harm: str) -> None:
    filled(path, EVENING[:5])
    log = read(path)
    data = path.read_bytes()
    other = path.with_name("other.jsonl")
    filled(other, [taken_in("T77"), *EVENING[1:6]])
    left = {
        "gone": None, "shorter": b"".join(data.splitlines(True)[:3]), "other": other.read_bytes(),
        "inside": data + b"x", "empty": b"",
    }[harm]  # fmt: skip
    if left is None:
        path.unlink()
    else:
        path.write_bytes(left)
    size = log.size - 7 if harm == "inside" else log.size
    new = read_new(path, size, log.head)
    assert new.fresh and new.findings[0].rule == "bench-log-replaced"
    assert len(new.entries) == {"gone": 0, "shorter": 3, "other": 6, "inside": 5, "empty": 0}[harm]
    with pytest.raises(EnvironmentProblem) as err:
        append(path, noted("x"), after=9)
    assert err.value.code in ("bench-log-moved-on", "bench-log-broken")


def test_a_break_in_what_was_added_is_told_with_the_whole_log(path: Path) -> None:
    filled(path, EVENING[:3])
    log = read(path)
    with path.open("ab") as f:
        f.write(b"no line\n")
    new = read_new(path, log.size, log.head)
    assert new.fresh and len(new.entries) == 3 and [f.rule for f in new.findings] == ["bench-log-broken"]


@pytest.mark.parametrize("known", [True, False])
def test_a_last_line_without_its_end_is_given_once(path: Path, known: bool) -> None:
    filled(path, EVENING[:3])
    path.write_bytes(path.read_bytes()[:-1])
    log = read(path)
    assert len(log.entries) == 3 and log.findings == () and log.size == path.stat().st_size
    assert read_new(path, log.size, log.head if known else None).entries == ()
    written = append(path, EVENING[3])
    assert read_new(path, log.size, log.head if known else None).entries == (written,)
    assert len(read(path).entries) == 4


def test_a_line_cut_short_is_told_and_then_set_aside(path: Path) -> None:
    filled(path, EVENING[:3])
    log = read(path)
    with path.open("ab") as f:
        f.write(b'{"at":"2031')
    cut = read(path)
    assert len(cut.entries) == 3 and cut.size == log.size
    assert [(f.rule, f.severity, f.where) for f in cut.findings] == [
        ("bench-log-torn", "warning", f"{LOG_NAME}, line 4")
    ]
    assert [f.rule for f in read_new(path, log.size, log.head).findings] == ["bench-log-torn"]
    written = append(path, EVENING[3])
    assert read_new(path, log.size, log.head).entries == (written,)
    after = read(path)
    assert len(after.entries) == 4 and [f.rule for f in after.findings] == ["bench-log-set-aside"]
    assert [p.read_bytes() for p in path.parent.glob("*.torn-*")] == [b'{"at":"2031']


# --- several at once ---


def test_whoever_has_not_seen_the_last_line_is_refused(path: Path) -> None:
    append(path, EVENING[0], after=0)
    append(path, EVENING[1], after=1)
    data = path.read_bytes()
    for after in (0, 1, 3):
        with pytest.raises(EnvironmentProblem) as err:
            append(path, EVENING[2], after=after)
        assert err.value.code == "bench-log-moved-on" and "2 entries" in err.value.what
    assert path.read_bytes() == data
    path.unlink()
    with pytest.raises(EnvironmentProblem):
        append(path, EVENING[2], after=2)
    assert not path.exists()


def _append_many(args: tuple[str, str, int]) -> list[tuple[int, str]]:
    path, who, count = args
    told = (append(Path(path), event(who, 1, "mute", note=f"{who}-{i}")) for i in range(count))
    return [(e["n"], e["note"]) for e in told]


def test_two_processes_lose_nothing(path: Path) -> None:
    count = 500
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        told = pool.map(_append_many, [(str(path), "T01", count), (str(path), "T02", count)])
    log = read(path)
    assert log.findings == ()
    assert [e["n"] for e in log.entries] == list(range(1, 2 * count + 1))
    by_number = {e["n"]: e["note"] for e in log.entries}
    for mine in told:
        assert len(mine) == count and all(by_number[n] == note for n, note in mine)


def test_threads_that_say_what_they_saw_never_overlap(path: Path) -> None:
    """Read, look, append if nothing came between, else again: so no two start the same pass."""
    won: list[int] = []

    def start_next() -> None:
        while True:
            log = read(path)
            number = 1 + sum(e["kind"] == "pass_started" for e in log.entries)
            try:
                append(path, started("T01", number, "A"), after=log.head[0])
            except EnvironmentProblem as err:
                assert err.code == "bench-log-moved-on"
                continue
            won.append(number)
            return

    threads = [threading.Thread(target=start_next) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert sorted(won) == [1, 2, 3, 4, 5, 6]
    assert [e["pass"] for e in read(path).entries] == [1, 2, 3, 4, 5, 6]


def test_a_lock_that_is_never_given_up_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import fcntl
    from dataclasses import replace

    filled(path, EVENING[:1])
    data = path.read_bytes()
    monkeypatch.setattr(benchlog, "_WORDS", replace(benchlog._WORDS, patience=0.05))
    monkeypatch.setattr(chainedfile, "_PATIENCE", 0.05)
    with path.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(EnvironmentProblem) as err:
            append(path, EVENING[1])
        assert len(read(path).entries) == 1  # a reader reads all the same
    assert err.value.code == "bench-log-busy" and "Nothing was written" in err.value.todo
    assert path.read_bytes() == data


# --- refused ---

REFUSED: dict[str, dict[str, Any]] = {
    "half a character": {"note": "\ud800"},
    "no number": {"happened_at": math.nan},
    "too long": {"note": "x" * benchlog.LONGEST},
    "member of another kind": {"verdict": "accepted"},
    "member of no kind": {"colour": "red"},
    "no such event": {"type": "sneeze"},
    "a fraction": {"pass": 1.0},
    "no moment": {"at": "yesterday"},
    "bytes": {"note": b"x"},
    "newer": {"schema_version": "1.1.0"},
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_would_not_count_is_not_confirmed(path: Path, name: str) -> None:
    for before in (0, 1):
        data = path.read_bytes() if before else None
        with pytest.raises(InputProblem) as err:
            append(path, event("T01", 1, "mute") | REFUSED[name])
        assert err.value.code == "bench-log-line-refused" and "Nothing was written" in err.value.todo
        assert (path.read_bytes() if path.exists() else None) == data
        append(path, EVENING[0])


def test_what_is_nested_too_deeply_is_refused(path: Path) -> None:
    deep: Any = "x"
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(InputProblem, match="within each other"):
        append(path, declared("title", deep, None))
    fits: Any = "x"
    for _ in range(benchlines.DEEPEST - 1):
        fits = {"a": fits}
    append(path, declared("title", fits, None))
    assert read(path).entries[0]["value"] == fits


@pytest.mark.parametrize("number", [errno.EROFS, errno.ENOSPC, errno.EACCES, errno.EFBIG, errno.EIO])
@pytest.mark.parametrize("call", ["open", "write", "fsync"])
def test_what_fails_leaves_nothing_and_says_so(
    path: Path, number: int, call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(path, EVENING[:2])
    data = path.read_bytes()

    def failing(*more: object) -> int:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, call, failing)
        with pytest.raises(EnvironmentProblem) as err:
            append(path, EVENING[2])
    assert err.value.todo.startswith("Nothing was written") and "--to" not in err.value.todo
    assert path.read_bytes() == data
    assert append(path, EVENING[2])["n"] == 3


def test_a_folder_that_is_gone_is_told(path: Path) -> None:
    with pytest.raises(EnvironmentProblem) as err:
        append(path.parent / "nowhere" / LOG_NAME, EVENING[0])
    assert "Nothing was written" in err.value.todo
    assert read(path.parent / "nowhere" / LOG_NAME).entries == ()


def test_the_words_of_the_ledger_and_of_the_log_do_not_mix(path: Path) -> None:
    path.write_bytes(b"not a log\n")
    with pytest.raises(EnvironmentProblem) as err:
        append(path, EVENING[0])
    said = f"{err.value.code} {err.value.what} {err.value.todo}"
    assert err.value.code == "bench-log-broken" and "ledger" not in said and "custody" not in said
    assert chainedend.ASIDE == ".torn-"
