"""The healing record: what it tells of a package built anew, and how it is read back.

Its form is schemas/healing-record.schema.json; a record that was read back may be anything.
"""

from __future__ import annotations

import hashlib
import json
from fractions import Fraction
from typing import Any

import pytest

from provpack.edge.schemas import validate
from provpack.package.bagblocks import BlockDigests
from provpack.package.healnote import as_bytes, expected_files, healing_record, record_name
from provpack.package.healplan import IDENTITY, Plan, Planned
from provpack.package.healstock import Held, Joined, Made, Piece, Source

MASTER = "data/master/t.wav"
RATE = Fraction(44_100_000, 1001)


def digest(text: str) -> dict[str, str]:
    return {"sha512": hashlib.sha512(text.encode()).hexdigest()}


def plan(*more: tuple[str, Source]) -> Plan:
    pieces = (
        Piece(copy=2, path=MASTER, offset=0, length=44, part="head"),
        Piece(copy=1, path="saved.wav", offset=144, length=1200, first=0, last=2),
        Piece(copy=2, path=MASTER, offset=1244, length=40, first=3, last=3),
    )
    files: dict[str, Source] = {
        MASTER: Joined(path=MASTER, size=1284, digests=digest("m"), pieces=pieces),
        IDENTITY: Made(path=IDENTITY, data=b"listed", digests=digest("i")),
        "bagit.txt": Held(copy=1, path="bagit.txt", size=7, digests=digest("b")),
        "data/caf\udce9": Held(copy=2, path="data/elsewhere", size=3, digests=digest("c")),
        **dict(more),
    }
    return Plan(
        files=tuple(Planned(path=path, source=files[path]) for path in sorted(files)),
        lost=(), identity=digest("i")["sha512"], evidence="ledger", ours=True, unproven=("bagit.txt",),
    )  # fmt: skip


def blocks() -> BlockDigests:
    return BlockDigests(
        file=MASTER, file_bytes=1284, audio_offset=44, audio_bytes=1240, frame_bytes=4, frames=310, rate=RATE,
        block_frames=100, audio_sha256="", head_sha256="", tail_sha256="", blocks=("a", "b", "c", "d"),
    )  # fmt: skip


def record(made: Plan) -> dict[str, Any]:
    seen = {
        "number": 1, "place": "/a/t", "place_base64": None, "form": None, "tagmanifest_sha512": None,
        "state": "damaged", "problem": None, "good_files": 3, "other_files": 1,
    }  # fmt: skip
    return healing_record(
        made, package="t", record_id=None, at="2031-05-04T10:00:00Z", tool="provpack", version="0.1.0",
        copies=[seen, seen | {"number": 2}], masters={MASTER: blocks()},
        signature={"state": "missing", "copy": None}, left_out=[(2, "data/caf\udce9 (1)")],
    )  # fmt: skip


def test_each_file_tells_where_it_came_from() -> None:
    told = {entry["path"]: entry for entry in record(plan())["files"]}
    how = {path: (e["how"], e["copy"], e["found_as"], e["bytes"]) for path, e in told.items()}
    assert how == {
        MASTER: ("joined", None, None, 1284),
        IDENTITY: ("written_anew", None, None, 6),
        "bagit.txt": ("whole", 1, None, 7),
        "data/caf\\xe9": ("whole", 2, "data/elsewhere", 3),
    }
    assert record(plan())["written_anew"] == [IDENTITY]
    (out,) = record(plan())["left_out"]
    assert (out["copy"], out["path"], out["path_base64"]) == (2, "data/caf\\xe9 (1)", "ZGF0YS9jYWbpICgxKQ==")


def test_the_pieces_of_a_joined_master_in_frames_and_time() -> None:
    (master,) = record(plan())["masters"]
    assert (master["frames"], master["blocks"], master["sampling_frequency"]) == (
        310, 4, {"num": 6_300_000, "den": 143},
    )  # fmt: skip
    head, first, last = master["pieces"]
    assert (head["part"], head["blocks"], head["offset"]) == ("head", None, 0)
    # 44.1 kHz / 1.001: 300 frames end after 6.8095 ms, 310 after 7.0365 ms; starts are rounded down, ends up
    assert first["found_in"] == "saved.wav"
    assert first["blocks"] == {
        "first_block": 0, "last_block": 2, "first_frame": 0, "last_frame": 299,
        "start": "0:00:00.000", "end": "0:00:00.007",
    }  # fmt: skip
    assert last["blocks"] == {
        "first_block": 3, "last_block": 3, "first_frame": 300, "last_frame": 309,
        "start": "0:00:00.006", "end": "0:00:00.008",
    }  # fmt: skip


def test_it_is_read_back_as_it_was_written() -> None:
    plain = Plan(
        files=tuple(f for f in plan().files if f.path.isascii()), lost=(), identity=digest("i")["sha512"],
        evidence=None, ours=True,
    )  # fmt: skip
    document = as_bytes(record(plain))
    assert document.endswith(b"}\n")
    read = json.loads(document)
    assert list(validate("healing-record", read)) == []
    assert record_name("t") == "t.healing.json"
    assert expected_files(read) == {
        MASTER: digest("m")["sha512"],
        IDENTITY: digest("i")["sha512"],
        "bagit.txt": digest("b")["sha512"],
    }
    assert expected_files(json.loads(as_bytes(record(plan())))) is None  # a name that is no text


def good() -> dict[str, Any]:
    files = [{"path": IDENTITY, "sha512": "a"}, {"path": "data/a", "sha512": "b", "path_base64": None}]
    return {"schema_version": "1.0.0", "package": "t", "tagmanifest_sha512": "a", "files": files}


WRONG: dict[str, Any] = {
    "a list": [],
    "nothing": None,
    "no version": good() | {"schema_version": None},
    "another version": good() | {"schema_version": "2.0.0"},
    "no package": good() | {"package": None},
    "an identity that is no text": good() | {"tagmanifest_sha512": ["a"]},
    "another identity": good() | {"tagmanifest_sha512": "b"},
    "no identity": good() | {"tagmanifest_sha512": None},
    "a number as record": good() | {"record_id": 5},
    "no files": good() | {"files": []},
    "files no list": good() | {"files": {"path": "a"}},
    "a file no object": good() | {"files": [*good()["files"], "data/b"]},
    "a name that is no text": good() | {"files": [{"path": "a", "sha512": "b", "path_base64": "YQ=="}]},
    "no path": good() | {"files": [{"sha512": "b"}]},
    "no digest": good() | {"files": [{"path": "a", "sha512": None}]},
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_no_healing_record_names_no_files(case: str) -> None:
    assert expected_files(good()) == {IDENTITY: "a", "data/a": "b"}
    assert expected_files(WRONG[case]) is None
