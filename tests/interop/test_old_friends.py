"""Packages of every past state of the format, as the program made them then, must verify for ever.

The samples (tests/samples, see README.md there) are outside sources: no line of today's program took part in
making them. This file holds their digests; whoever finds it failing mends the program, never a sample.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import run

SAMPLES = Path(__file__).resolve().parents[1] / "samples"


@dataclass(frozen=True, slots=True, kw_only=True)
class Friend:
    """A sample: its name, the SHA-256 of the file, the record's version, whether it has sound, is signed."""

    name: str
    sha256: str
    record: str
    sound: bool = True
    signed: bool = False


FRIENDS = (
    Friend(
        name="old-10_k01",
        sha256="28f624b2d6145bc204ad9be38bd9968022270c6d1c1b90366f40a23d2247d76e",
        record="1.0.0",
    ),
    Friend(
        name="old-10_k02",
        sha256="dad6214154f58a2c3507dbb03136d9a0c871781f62ff1088b39d2a8485dd2ba5",
        record="1.0.0",
        sound=False,
    ),
    Friend(
        name="old-11_k01",
        sha256="23e033427b2568054c0779db0b6e7f906adf86c9055287af9638e823ea68bd5d",
        record="1.1.0",
    ),
    Friend(
        name="old-11_k02",
        sha256="5e751af4efbd3d0222edf79b883345b709a521d57fb0fed818be7dd8fa48dab9",
        record="1.1.0",
        sound=False,
    ),
    Friend(
        name="old-12_k01",
        sha256="2690612dad433b691c21f4828974c0af11190c8418676d22869bf789f11eebc5",
        record="1.2.0",
        signed=True,
    ),
    Friend(
        name="old-12_k02",
        sha256="2b62122dd004c2cd5d33b75bd4e76f3b23fa1536d9b01d5e42774af0b00feed3",
        record="1.2.0",
        sound=False,
        signed=True,
    ),
    Friend(
        name="old-12h_k01",
        sha256="eaef4149c4757279d99c2190619c5cc49355ab5bcf3439f5ffcfb0b5ea8092a1",
        record="1.2.0",
        signed=True,
    ),
    Friend(
        name="old-13_k01",
        sha256="c88feb88ab4af59ecb7a3407add70d6258826a0665ebe7483e74059b2136bf9b",
        record="1.3.0",
        signed=True,
    ),
    Friend(
        name="old-13_k02",
        sha256="e1e2467aff07478a31d2911ea589b934033a98da6e217d6a2065b1a961a8f366",
        record="1.3.0",
        sound=False,
        signed=True,
    ),
)

LIST = SAMPLES / "allowed_signers"
PATIENT = ("verify", "--no-ledger", "--depth", "meaning", "--json")


@pytest.fixture(params=FRIENDS, ids=lambda friend: friend.name)
def friend(request: pytest.FixtureRequest) -> Friend:
    one: Friend = request.param
    return one


@pytest.fixture
def unpacked(friend: Friend, tmp_path: Path) -> Path:
    with zipfile.ZipFile(SAMPLES / f"{friend.name}.zip") as archive:
        archive.extractall(tmp_path)
    return tmp_path / friend.name


def asked(*words: str | Path) -> dict[str, Any]:
    value: dict[str, Any] = run(*words).json()
    return value


def test_no_sample_was_ever_changed(friend: Friend) -> None:
    data = (SAMPLES / f"{friend.name}.zip").read_bytes()
    assert hashlib.sha256(data).hexdigest() == friend.sha256
    assert len(data) < 150_000


def test_every_sample_is_known_and_they_stay_small() -> None:
    there = {path.name for path in SAMPLES.iterdir()}
    assert there == {f"{one.name}.zip" for one in FRIENDS} | {
        "README.md",
        "allowed_signers",
        ".gitattributes",
    }
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) < 1_500_000
    told = (SAMPLES / "README.md").read_text("utf-8")
    assert all(f"`{one.name}.zip`" in told for one in FRIENDS)


def test_it_is_good_at_the_deepest_depth(friend: Friend, unpacked: Path) -> None:
    """In the archive as it is kept, and as a folder; without any warning."""
    for place in (SAMPLES / f"{friend.name}.zip", unpacked):
        result = asked(*PATIENT, place)
        (unit,) = result["units"]
        assert (unit["outcome"], unit["ours"], unit["depth"]) == ("good", True, "meaning")
        said = [f["rule"] for f in [*unit["findings"], *result["findings"]] if f["severity"] != "note"]
        assert said == []
        assert result["verdict"] == "good"


def test_its_signature_holds(friend: Friend, unpacked: Path) -> None:
    (unit,) = asked(*PATIENT, "--signers", LIST, unpacked)["units"]
    assert unit["examined"]["signature"]["state"] == ("valid" if friend.signed else "missing")


def test_its_record_is_found_and_told(friend: Friend, unpacked: Path) -> None:
    record = json.loads((unpacked / "data/metadata/record.json").read_bytes())
    assert record["schema_version"] == friend.record
    report = asked("report", "--json", unpacked)
    assert report["exit_code"] == 0 and report["package_name"] == friend.name
    assert report["title"] == record["item"]["title"] and report["summary"]
    page = unpacked.parent / "today.html"
    assert run("report", "--to", page, unpacked).code == 0
    assert record["item"]["title"] in page.read_text("utf-8")
    if friend.sound:
        (master,) = (unpacked / "data/master").iterdir()
        lonely = asked("inspect", "--record", "--json", master)["record"]
        assert {**lonely, "files": []} == {**record, "files": []}


def test_a_flipped_bit_is_found_in_every_file(friend: Friend, unpacked: Path) -> None:
    """One bit in the middle of each file, one file after the other (bytes on disk, no tool of ours)."""
    for path in sorted(p for p in unpacked.rglob("*") if p.is_file()):
        whole = path.read_bytes()
        damaged = bytearray(whole)
        damaged[len(damaged) // 2] ^= 1
        path.write_bytes(damaged)
        if path.suffix == ".sig":  # in no manifest: only the signature itself tells
            (unit,) = asked("verify", "--no-ledger", "--json", "--signers", LIST, unpacked)["units"]
            assert unit["outcome"] == "good" and unit["examined"]["signature"]["state"] != "valid"
        else:
            (unit,) = asked("verify", "--no-ledger", "--json", unpacked)["units"]
            assert unit["outcome"] == "bad", path
        path.write_bytes(whole)
