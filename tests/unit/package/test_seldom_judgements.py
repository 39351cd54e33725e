"""Judgements of deliveries, bags and profiles that ordinary packages seldom need. Expectations follow from
the docstrings, unless a source stands beside them."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from datetime import datetime
from typing import Any

import pytest
from support.profiles import profile

from provpack.findings import Finding
from provpack.package import rules as bag_rules
from provpack.package.bagblocks import BlockRange, Damage
from provpack.package.bagcheck import mixed_case
from provpack.package.bagdeclaration import parse_declaration
from provpack.package.bagdisk import BagText, text_findings
from provpack.package.baginfo import parse_bag_info
from provpack.package.bagtext import parse_fetch, parse_manifest
from provpack.package.bagwrite import BAGIT_TXT
from provpack.package.benchstate import BenchState, Pass, Taken
from provpack.package.checkhistory import CheckHistory
from provpack.package.deliverynote import parse_checksums
from provpack.package.ownbag import SIGNATURE, TAG_MANIFESTS, seal_findings
from provpack.package.receipt import contradictions
from provpack.package.sshwire import NotWire, ed25519_blob, ed25519_key, wire_string

# ---- deliveries and receipts


def test_checksums_of_a_delivery() -> None:
    """sha512sum(1): lower-case hex, two blanks, the path."""
    one = hashlib.sha512(b"a").hexdigest()
    good = f"{one}  a/b.txt\n".encode()
    assert parse_checksums(good) == ({"a/b.txt": one}, [])
    assert parse_checksums(b"\n" + good + good) == ({"a/b.txt": one}, ["line 3 lists a file a second time"])
    for wrong in (f"{one} *a\n", f"{one.upper()}  a\n", f"{one}  ../a\n", f"{one}  /a\n", "\\\n"):
        found, told = parse_checksums(wrong.encode())
        assert found == {} and len(told) == 1 and told[0].startswith("line 1 ")
    found, told = parse_checksums(b"x\n" * 30 + good)
    assert found == {} and len(told) == 21 and told[-2:] == [
        "line 20 is not a checksum in lower case, two blanks and a path", "reading stopped there",
    ]  # fmt: skip


@pytest.mark.parametrize(("as_noted", "kinds"), [(None, []), (False, []), (True, ["not_delivered"])])
def test_something_more_came_than_was_handed_over(as_noted: bool | None, kinds: list[str]) -> None:
    package = {
        "outcome": "good", "signature": "missing", "demands": "not_asked", "tagmanifest_sha512": "ab",
    }  # fmt: skip
    receipt = {
        "delivery_id": "D", "delivery_note_sha512": "cd", "conclusion": "refused",
        "packages": [{**package, "name": "J_T1", "as_noted": True},
                     {**package, "name": "J_T2", "as_noted": as_noted}],
    }  # fmt: skip
    handed = {"kind": "delivered", "delivery_id": "D", "package": "J_T1", "n": 5,
              "document_sha512": "cd", "tagmanifest_sha512": "ab"}  # fmt: skip
    assert [c.kind for c in contradictions(receipt, [handed])] == kinds
    # without a delivery there is no note that could name it
    alone = {**receipt, "delivery_id": None, "delivery_note_sha512": None}
    assert [c.kind for c in contradictions(alone, [{**handed, "kind": "wrapped"}])] == ["not_delivered"]


def test_a_key_of_another_kind_is_not_taken_for_ours() -> None:
    """RFC 8709 section 4: string "ssh-ed25519", then the 32 bytes of the key."""
    key = bytes(range(32))
    assert ed25519_key(ed25519_blob(key)) == key
    for blob in (
        wire_string("ssh-rsa") + wire_string(key),
        ed25519_blob(key[:31]),
        ed25519_blob(key) + b"\0",
        ed25519_blob(key)[:-1],
    ):
        with pytest.raises(NotWire):
            ed25519_key(blob)


# ---- checks


def test_a_history_tells_something_when_a_check_was_tried_or_was_bad() -> None:
    moment = datetime.fromisoformat("2031-05-01T10:00:00+00:00")
    assert not CheckHistory().told and not CheckHistory(good=moment).told
    assert CheckHistory(tried=moment).told and CheckHistory(once_bad="").told


def test_damage_as_the_result_of_a_check_tells_it() -> None:
    span = BlockRange(first_block=1, last_block=2, first_frame=9, last_frame=20, start="0:00:00.000",
                      end="0:00:00.001")  # fmt: skip
    damage = Damage(
        path="data/master/a.wav", extent="audio", ranges=(span,), bad_blocks=2, blocks=9, frames=99
    )
    told = damage.as_json()
    assert told["ranges"] == [asdict(span)]
    assert (told["audio_intact"], told["bad_blocks"], told["blocks"], told["lost_frames"]) == (False, 2, 9, 0)
    assert json.loads(json.dumps(told)) == told
    around = Damage(path="a", extent="around", tail_changed=True)
    assert around.as_json()["audio_intact"] is True and not around.nothing
    assert Damage(path="a", extent="around").nothing
    assert span.sentence() == "blocks 1-2, frames 9-20, 0:00:00.000 to 0:00:00.001"


@pytest.mark.parametrize(
    ("name", "digest", "told"),
    [
        ("tagmanifest-sha512.txt", b"aBc0", True),
        ("tagmanifest-sha512.txt", b"abc0", False),
        ("tagmanifest-sha512.txt", b"ABC0", False),  # another program's way, in which nothing was flipped
        ("manifest-sha512.txt", b"aBc0", False),  # vouched for by the tag manifests
        ("bag-info.txt", b"aBc0", False),
    ],
)
def test_a_letter_of_the_other_case_in_a_tag_manifest(name: str, digest: bytes, told: bool) -> None:
    found = mixed_case(name, digest + b"  data/A.wav\n0123  B\n")
    assert [f.rule for f in found] == ([bag_rules.TAG_ALTERED.id] if told else [])
    assert mixed_case(name, b"") == ()


def test_the_findings_of_every_tag_file_are_told() -> None:
    declared = parse_declaration(BAGIT_TXT)
    fetch = parse_fetch(b"no row\n", declared)
    odd = parse_declaration(b"BagIt-Version: 1.0\n")
    info = parse_bag_info(b"no element\n", declared)
    manifest = parse_manifest(b"no row\n", "manifest-sha512.txt", declared)
    parts = (odd.findings, manifest.findings, info.findings, fetch.findings)
    assert all(parts)
    text = BagText(declaration=odd, manifests=(manifest,), info=info, fetch=fetch)
    assert text_findings(text) == sum(parts, ())
    assert text_findings(BagText(declaration=declared)) == ()


def test_required_paths_of_a_profile_that_nothing_needs_to_allow() -> None:
    """BagIt Profiles 1.4.0, Tag-Files-Required: bag-info.txt and manifests are asked for by other fields."""

    def told(**fields: Any) -> list[Finding]:
        return [f for f in profile(**fields).findings if f.rule == "profile-contradiction"]

    assert told(Tag_Files_Required=["bag-info.txt", "manifest-sha512.txt"], Tag_Files_Allowed=["x/*"]) == []
    (one,) = told(Tag_Files_Required=["notes.txt"], Tag_Files_Allowed=["x/*"])
    assert "'notes.txt' is required" in one.what
    assert told(Payload_Files_Required=["data/a/"], Payload_Files_Allowed=["data/*"]) == []
    (two,) = told(Payload_Files_Required=["data/a/"], Payload_Files_Allowed=["data/b/*"])
    assert "'data/a/' is required" in two.what


def test_a_path_of_a_profile_that_is_far_too_long() -> None:
    found = profile(Payload_Files_Required=["data/" + "x" * 5000]).findings
    assert ["is far too long" in f.what for f in found] == [True]
    assert all(len(f.what) < 1000 for f in found)


def test_a_package_of_ours_without_one_of_its_tag_manifests() -> None:
    """Every package of ours is sealed with both; a stranger's bag may do without (RFC 8493 section 2.2.1)."""
    both = set(TAG_MANIFESTS)
    assert seal_findings((), both, {}) == []
    for name in TAG_MANIFESTS:
        (finding,) = seal_findings((), both - {name}, {})
        assert (finding.rule, finding.severity, finding.position["path"]) == (
            bag_rules.FILE_MISSING.id, "error", name,
        )  # fmt: skip
    mixed = {TAG_MANIFESTS[1]: b"aBc0  bagit.txt\n", TAG_MANIFESTS[0]: None}
    assert [f.rule for f in seal_findings((), both, mixed)] == [bag_rules.TAG_ALTERED.id]
    told = [
        bag_rules.TAG_UNLISTED.found("x", "y", position={"path": path}) for path in (SIGNATURE, "notes.txt")
    ]
    (kept,) = seal_findings(told, both, {})
    assert (kept.position["path"], kept.severity) == ("notes.txt", "warning")


def test_a_pass_that_the_log_does_not_know() -> None:
    one = Pass(transfer_id="T01", number=2, chain_id="A", n=1, started_at="", settings={}, changed=())
    state = BenchState(transfers={"T01": Taken(transfer_id="T01", passes=(one,))})
    assert state.pass_of("T01", 2) is one
    assert state.pass_of("T01", 1) is None and state.pass_of("T02", 2) is None
    assert state.running() == (one,)
