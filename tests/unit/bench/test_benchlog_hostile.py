"""Bench logs that were edited, cut, replaced or never were one: told with the line, never a traceback."""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from provpack.edge import benchlog
from provpack.edge.bench_rules import RULES
from provpack.edge.benchlog import append, read, read_new
from provpack.errors import EnvironmentProblem, ProvpackError
from provpack.findings import worst
from provpack.package.benchfold import fold
from provpack.package.benchline import LOG_NAME
from provpack.package.ledgerchain import NO_PREVIOUS
from tests.support.benchlines import event, filled, started

COUNT = 6


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / LOG_NAME


@pytest.fixture(autouse=True)
def _as_in_a_new_process() -> Iterator[None]:
    benchlog._KNOWN.clear()
    benchlog._SOUND.clear()
    yield


def evening(path: Path) -> list[bytes]:
    """Six lines in the log; their bytes, without the line ends."""
    filled(
        path,
        [started("T01", 1, "A"), *(event("T01", 1, "mute", n, note=f"no. {n}") for n in range(1, COUNT))],
    )
    return path.read_bytes().split(b"\n")[:-1]


def chained(lines: list[Mapping[str, Any]]) -> bytes:
    """Lines that follow from each other, whatever they hold: somebody who can compute digests wrote them."""
    data, previous = b"", NO_PREVIOUS
    for n, entry in enumerate(lines, 1):
        line = json.dumps({**entry, "n": n, "previous": previous}).encode()
        previous = hashlib.sha512(line).hexdigest()
        data += line + b"\n"
    return data


# harm -> (what becomes of the lines, how many still count, the line named)
HARMS: dict[str, tuple[Any, int, int]] = {
    "edited": (lambda x: [*x[:2], x[2].replace(b"no. 2", b"no. 9"), *x[3:]], 2, 3),
    "first edited": (lambda x: [x[0].replace(b"M. O", b"N. O"), *x[1:]], 0, 1),
    "removed": (lambda x: [*x[:2], *x[3:]], 2, 3),
    "first removed": (lambda x: x[1:], 0, 1),
    "swapped": (lambda x: [x[0], x[2], x[1], *x[3:]], 1, 2),
    "put in": (lambda x: [*x[:3], b'{"n":4,"previous":"00","kind":"event"}', *x[3:]], 3, 4),
    "repeated": (lambda x: [*x[:3], x[2], *x[3:]], 2, 3),  # which of the two is the copy nobody can tell
    "no JSON": (lambda x: [*x[:3], b"hello", *x[4:]], 3, 4),
    "not UTF-8": (lambda x: [*x[:3], b'{"note":"\xff\xfe"}', *x[4:]], 3, 4),
    "a list": (lambda x: [*x[:3], b"[1,2]", *x[4:]], 3, 4),
    "empty line": (lambda x: [*x[:3], b"", *x[3:]], 3, 4),
    "huge line": (lambda x: [*x[:3], b'{"n":4,"note":"' + b"x" * 3_000_000 + b'"}', *x[4:]], 3, 4),
    "deep": (lambda x: [*x[:3], b"[" * 200_000, *x[4:]], 3, 4),
    "huge number": (lambda x: [*x[:3], b'{"n":' + b"9" * 9000 + b"}", *x[4:]], 3, 4),
    "zeros": (lambda x: [*x[:3], b"\0" * 500, *x[4:]], 3, 4),
    "line ends of another system": (lambda x: [line + b"\r" for line in x], 0, 1),
    "byte order mark": (lambda x: [b"\xef\xbb\xbf" + x[0], *x[1:]], 0, 1),
    "last line no entry": (lambda x: [*x[:5], b"the end"], 5, 6),
}  # fmt: skip


@pytest.mark.parametrize("harm", HARMS)
def test_a_broken_log_names_the_line_and_keeps_what_was_before(path: Path, harm: str) -> None:
    lines = evening(path)
    spoil, count, accused = HARMS[harm]
    data = b"\n".join(spoil(lines)) + b"\n"
    path.write_bytes(data)
    log = read(path)
    broken = [f for f in log.findings if f.rule == "bench-log-broken"]
    assert broken and worst(log.findings) == "error"
    named = min(int(f.position["row"]) for f in broken)
    assert (len(log.entries), named) == (count, accused)
    assert [e["n"] for e in log.entries] == list(range(1, count + 1))
    first = min(broken, key=lambda f: int(f.position["row"]))
    assert first.where == f"{LOG_NAME}, line {accused}" and "backup" in first.todo
    total = data.count(b"\n")
    assert f"to {total} do not" in first.what or f"line {total} does not" in first.what
    assert fold(log.entries).n == count
    assert read_new(path, log.size, log.head).findings == log.findings
    # and nothing is confirmed behind the break
    with pytest.raises(EnvironmentProblem) as err:
        append(path, event("T01", 1, "hold"))
    assert err.value.code in ("bench-log-broken", "bench-log-unreadable", "bench-log-line-too-long")
    assert "Nothing was written" in err.value.todo
    assert path.read_bytes() == data


def test_an_edit_between_two_appends_of_one_process_is_seen(path: Path) -> None:
    lines = evening(path)
    data = path.read_bytes().replace(b"no. 2", b"no. 9")
    path.write_bytes(data)
    with pytest.raises(EnvironmentProblem, match="line 3 is not what line 4 says"):
        append(path, event("T01", 1, "hold"))
    path.write_bytes(b"\n".join(lines) + b"\n")  # the whole copy put back
    assert append(path, event("T01", 1, "hold"))["n"] == COUNT + 1
    assert read(path).findings == ()


STRANGE = {
    "zeros": b"\0" * 5000, "text": b"hello", "an object of another": b"{}", "no JSON": b'{"kind":note',
    "out of place": b'{"kind":"event","n":77,"note":"x', "long": b'{"a":"' + b"x" * 2_000_000,
}  # fmt: skip


def test_zeros_behind_lines_are_what_a_power_cut_leaves(path: Path) -> None:
    """The file had grown, and its bytes had not reached the disk."""
    evening(path)
    with path.open("ab") as f:
        f.write(STRANGE["zeros"])
    log = read(path)
    assert len(log.entries) == COUNT and [f.rule for f in log.findings] == ["bench-log-torn"]
    assert append(path, event("T01", 1, "hold"))["n"] == COUNT + 1


@pytest.mark.parametrize(
    ("name", "alone"),
    [(name, alone) for name in STRANGE for alone in (False, True) if name != "zeros" or alone],
)
def test_an_end_that_no_append_leaves_is_a_break(path: Path, name: str, alone: bool) -> None:
    if not alone:
        evening(path)
    with path.open("ab") as f:
        f.write(STRANGE[name])
    log = read(path)
    assert len(log.entries) == (0 if alone else COUNT)
    assert [f.rule for f in log.findings] == ["bench-log-broken"]
    with pytest.raises(EnvironmentProblem):
        append(path, event("T01", 1, "hold"))


def test_every_place_to_cut_leaves_whole_lines_and_no_traceback(path: Path) -> None:
    lines = evening(path)
    data = path.read_bytes()
    for size in range(0, len(data), 13):
        for old in path.parent.iterdir():
            old.unlink()
        path.write_bytes(data[:size])
        log = read(path)
        whole = data[:size].count(b"\n")
        complete = whole < len(lines) and size == sum(len(x) + 1 for x in lines[: whole + 1]) - 1
        assert len(log.entries) == whole + complete
        assert worst(log.findings) in (None, "warning")
        assert append(path, event("T01", 1, "hold"))["n"] == whole + complete + 1
        assert not [f for f in read(path).findings if f.severity != "note"]


ODD_LINES: dict[str, Any] = {
    "another kind": {"kind": "cleaned"},
    "newer": {"schema_version": "1.1.0"},
    "wrong type": {"pass": "1"},
    "a fraction": {"pass": 1.0},
    "member too many": {"verdict": "accepted"},
    "no number": {"note": float("nan")},
    "half a character": {"note": "\ud800"},
    "deep": {"note": json.loads("[" * 300 + "]" * 300)},
    "long": {"note": "x" * 200_000},
}


@pytest.mark.parametrize("name", ODD_LINES)
def test_a_line_in_its_place_that_is_not_ours_alone_does_not_count(path: Path, name: str) -> None:
    good = event("T01", 1, "mute")
    path.write_bytes(chained([started("T01", 1, "A"), good | ODD_LINES[name], good]))
    log = read(path)
    assert [e["n"] for e in log.entries] == [1, 3] and log.head[0] == 3
    assert [(f.rule, f.severity, f.position["row"]) for f in log.findings] == [
        ("bench-log-line-not-understood", "error", 2)
    ]
    assert append(path, good)["n"] == 4
    json.dumps([dict(f.as_json()) for f in log.findings]).encode("utf-8")


def test_very_many_lines_that_are_not_ours_are_told_shortly(path: Path) -> None:
    path.write_bytes(chained([{"kind": "x"}] * 3000))
    log = read(path)
    assert log.entries == () and log.head[0] == 3000 and len(log.findings) == 21
    path.write_bytes(b"{}\n" * 300_000)
    assert [f.rule for f in read(path).findings] == ["bench-log-broken"]


def make_link(path: Path) -> None:
    other = path.with_name("other.jsonl")
    other.write_bytes(b"")
    path.symlink_to(other)


PLACES = {
    "link": make_link, "dead link": lambda p: p.symlink_to("nowhere"), "pipe": os.mkfifo,
    "folder": Path.mkdir, "loop": lambda p: p.symlink_to(p.name),
}  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
def test_what_is_no_file_is_neither_read_nor_written(path: Path, place: str) -> None:
    PLACES[place](path)
    log = read(path)
    assert [f.rule for f in log.findings] == ["bench-log-not-a-file"] and log.entries == ()
    with pytest.raises(EnvironmentProblem) as err:
        append(path, started("T01", 1, "A"))
    assert err.value.code == "bench-log-not-a-file"
    assert not path.with_name("nowhere").exists()
    assert not path.with_name("other.jsonl").exists() or path.with_name("other.jsonl").read_bytes() == b""


def test_a_link_put_there_at_the_last_moment_is_not_followed(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    evening(path)
    other = path.with_name("other.jsonl")
    other.write_bytes(path.read_bytes())
    real = os.open

    def swapped(name: Any, *more: Any, **how: Any) -> int:
        if str(name).endswith(LOG_NAME) and not path.is_symlink():
            path.unlink()
            path.symlink_to(other)
        return real(name, *more, **how)

    data = other.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(os, "open", swapped)
        with pytest.raises(ProvpackError):
            append(path, event("T01", 1, "hold"))
        log = read(path)
    assert other.read_bytes() == data and log.entries == () and worst(log.findings) == "error"


def test_a_log_nobody_may_read_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    evening(path)

    def refused(*more: object, **how: object) -> int:
        raise PermissionError(13, "Permission denied")

    for call in ("open", "stat", "read"):
        with monkeypatch.context() as patch:
            patch.setattr(os, call, refused)
            if call == "stat":
                patch.setattr(Path, "stat", refused)
            log = read(path)
        assert [(f.rule, f.severity) for f in log.findings] == [("bench-log-unreadable", "error")]
        assert "Permission denied" in log.findings[0].what


def test_a_log_as_large_as_no_evening_is_read_to_a_limit(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = evening(path)
    monkeypatch.setattr(benchlog, "LARGEST", 2000)
    fits = sum(1 for n in range(COUNT) if sum(len(x) + 1 for x in lines[: n + 1]) <= 2000)
    assert 0 < fits < COUNT
    log = read(path)
    assert len(log.entries) == fits
    assert [(f.rule, f.severity) for f in log.findings] == [("bench-log-too-large", "error")]
    monkeypatch.setattr(benchlog, "LONGEST", 10_000)
    with pytest.raises(EnvironmentProblem) as err:
        append(path, event("T01", 1, "hold"))
    assert err.value.code == "bench-log-too-large"


def test_a_sparse_giant_costs_neither_time_nor_memory(path: Path) -> None:
    evening(path)
    with path.open("r+b") as f:
        f.truncate(1 << 40)
    before = time.process_time()
    log = read(path)
    assert time.process_time() - before < 5
    assert len(log.entries) == COUNT and worst(log.findings) == "error"


def test_what_was_set_aside_is_named_without_what_its_name_may_do(path: Path) -> None:
    evening(path)
    path.with_name(f"{LOG_NAME}.torn-\x1b[31m").write_bytes(b"x")
    (found,) = read(path).findings
    assert found.rule == "bench-log-set-aside" and found.severity == "note" and "\x1b" not in found.what


def test_the_rules_are_told_apart() -> None:
    assert len({r.id for r in RULES}) == len(RULES)
    assert all(r.id.startswith("bench-log-") for r in RULES)
