"""What a signature is worth: every word of signature_state (schemas/fields.schema.json) with its finding."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from support.signing import ROOM, SPACE, key_of_seed, keygen, view_of

from provpack.jobs.signatures import Signer, judge_signature, sealed_at, signature_examiner
from provpack.jobs.verified import Examined
from provpack.model.vocab import SIGNATURE_STATE
from provpack.package.signers import Signers, parse_signers, signer_line
from provpack.package.sshsig import MAX_SIGNATURE

AT = datetime(2026, 6, 2, 9, tzinfo=UTC)
OURS, OTHER = key_of_seed(1), key_of_seed(2)
TEXT = b"5f0e  manifest-sha512.txt\n"
SIGNED = OURS.sign(TEXT, SPACE)


def listed(*lines: str) -> Signers:
    return parse_signers("\n".join(lines).encode(), "allowed_signers")


def line(
    key: Any = OURS, spaces: tuple[str, ...] = (SPACE,), after: date | None = None, before: date | None = None
) -> str:
    return signer_line(ROOM, key.public_line(), spaces, after, before)


CASES: dict[str, tuple[bytes | None, Signers | None, datetime | None, str, str, str]] = {
    # signature, signers, at -> state, rule, what is said
    "valid": (SIGNED, listed(line()), AT, "valid", "", ""),
    "valid in its time": (
        SIGNED, listed(line(after=date(2026, 1, 1), before=date(2027, 1, 1))), AT, "valid", "", "",
    ),
    "valid at any time": (SIGNED, listed(line()), None, "valid", "", ""),
    "the second line counts": (
        SIGNED, listed(line(before=date(2025, 1, 1)), line(after=date(2025, 1, 1))), AT, "valid", "", "",
    ),
    "missing": (None, listed(line()), AT, "missing", "sig-missing", "no signature"),
    "unvouched": (SIGNED, None, AT, "unvouched", "sig-unvouched", "no list of signers"),
    "foreign": (SIGNED, listed(line(OTHER)), AT, "foreign", "sig-foreign", "not in the list"),
    "foreign to an empty list": (SIGNED, listed(), AT, "foreign", "sig-foreign", "not in the list"),
    "for another purpose": (
        SIGNED, listed(line(spaces=("file",))), AT, "foreign", "sig-foreign-purpose", "not for provpack-p",
    ),
    "no longer valid": (
        SIGNED, listed(line(before=date(2026, 6, 1))), AT, "expired", "sig-expired", "no longer valid",
    ),
    "not yet valid": (
        SIGNED, listed(line(after=date(2026, 7, 1))), AT, "expired", "sig-expired", "not yet valid on 2026",
    ),
    "time unknown": (
        SIGNED, listed(line(before=date(2026, 6, 1))), None, "could_not_check", "sig-time-unknown",
        "not known when",
    ),
    "time without a zone": (
        SIGNED, listed(line(before=date(2026, 6, 1))), AT.replace(tzinfo=None), "could_not_check",
        "sig-time-unknown", "not known when",
    ),
    "over other bytes": (
        OURS.sign(TEXT + b"x", SPACE), listed(line()), AT, "wrong", "sig-wrong", "changed afterwards",
    ),
    "made for a receipt": (
        OURS.sign(TEXT, "provpack-receipt"), listed(line()), AT, "wrong", "sig-other-purpose",
        "'provpack-receipt'",
    ),
    "rubbish": (b"rubbish", listed(line()), AT, "wrong", "sig-unreadable", "not readable as a signature"),
}  # fmt: skip


@pytest.mark.parametrize("required", [False, True])
@pytest.mark.parametrize(
    ("signature", "signers", "at", "state", "rule", "said"), CASES.values(), ids=CASES.keys()
)
def test_every_state_has_its_own_finding(
    signature: bytes | None, signers: Signers | None, at: datetime | None, state: str, rule: str, said: str,
    required: bool,
) -> None:  # fmt: skip
    verdict = judge_signature(
        TEXT, signature, namespace=SPACE, signers=signers, at=at, where="pcm-1/x.sig", required=required
    )
    assert verdict.state == state and state in SIGNATURE_STATE
    assert [f.rule for f in verdict.findings] == ([rule] if rule else [])
    for finding in verdict.findings:
        assert said in finding.what and finding.where == "pcm-1/x.sig" and finding.todo
        usual = "note" if rule == "sig-unvouched" else "warning"
        assert finding.severity == ("error" if required else usual)
    named = state in ("valid", "expired") or rule == "sig-time-unknown"
    assert verdict.principal == (ROOM if named else None)
    assert verdict.fingerprint == (OURS.fingerprint if state not in ("wrong", "missing") else None)


def test_missing_wrong_expired_and_foreign_are_four_findings() -> None:
    rules = {CASES[name][4] for name in ("missing", "over other bytes", "no longer valid", "foreign")}
    assert len(rules) == 4


def test_the_expired_one_says_that_the_time_is_the_packages_own_word() -> None:
    verdict = judge_signature(
        TEXT, SIGNED, namespace=SPACE, signers=CASES["no longer valid"][1], at=AT, where="x"
    )
    assert "A signature holds no time of its own" in verdict.findings[0].what


def test_the_signer_that_is_asked_for() -> None:
    signers = listed(signer_line("other@grauwell.example", OURS.public_line(), []), line())
    judged = [
        judge_signature(TEXT, SIGNED, namespace=SPACE, signers=signers, at=AT, where="x", principal=name)
        for name in (ROOM, "other@grauwell.example", "third@grauwell.example")
    ]
    assert [(v.state, v.principal) for v in judged[:2]] == [
        ("valid", ROOM),
        ("valid", "other@grauwell.example"),
    ]
    assert judged[2].state == "foreign" and judged[2].findings[0].rule == "sig-foreign-purpose"


# --- keys that have expired since ---

NOW = datetime(2026, 11, 1, tzinfo=UTC)
SINCE = "sig-expired-since"
LAPSED: dict[str, tuple[Signers, datetime | None, datetime | None, str, list[str]]] = {
    # signers, claimed, now -> state, rules
    "not judged": (listed(line(before=date(2026, 7, 1))), AT, None, "valid", []),
    "still trusted": (listed(line(before=date(2027, 1, 1))), AT, NOW, "valid", []),
    "trusted at any time": (listed(line()), None, NOW, "valid", []),
    "expired since": (listed(line(before=date(2026, 7, 1))), AT, NOW, "valid", [SINCE]),
    "expired since, on two lines": (
        listed(line(before=date(2026, 7, 1)), line(before=date(2026, 8, 1))), AT, NOW, "valid", [SINCE],
    ),
    "listed anew": (
        listed(line(before=date(2026, 7, 1)), line(after=date(2026, 7, 1))), AT, NOW, "valid", [],
    ),
    "anew for another purpose only": (
        listed(line(before=date(2026, 7, 1)), line(spaces=("file",))), AT, NOW, "valid", [SINCE],
    ),
    "sealed in the future": (
        listed(line(after=date(2027, 1, 1))), datetime(2027, 2, 1, tzinfo=UTC), NOW, "valid", [SINCE],
    ),
    "expired for the time claimed": (
        listed(line(before=date(2026, 6, 1))), AT, NOW, "expired", ["sig-expired"],
    ),
}  # fmt: skip


@pytest.mark.parametrize(("signers", "at", "now", "state", "rules"), LAPSED.values(), ids=LAPSED.keys())
@pytest.mark.parametrize("required", [False, True])
def test_a_key_that_is_not_trusted_any_more(
    signers: Signers, at: datetime | None, now: datetime | None, state: str, rules: list[str], required: bool
) -> None:
    verdict = judge_signature(
        TEXT, SIGNED, namespace=SPACE, signers=signers, at=at, where="x", required=required, now=now
    )
    assert (verdict.state, [f.rule for f in verdict.findings]) == (state, rules)
    assert verdict.lapsed == (rules == [SINCE]) and verdict.principal == ROOM
    for finding in verdict.findings:
        assert finding.severity == ("error" if required else "warning")
    if rules == [SINCE]:
        assert "claims of itself" in verdict.findings[0].what and "ledger" in verdict.findings[0].todo


def test_stock_tools_do_not_take_it_without_a_time_either(tmp_path: Path, tool: Callable[[str], str]) -> None:
    """Outside check: ssh-keygen -Y verify judges at the present unless -O verify-time is given."""
    tool("ssh-keygen")
    signers = line(before=date(2026, 1, 1))
    (tmp_path / "list").write_text(signers + "\n")
    (tmp_path / "sig").write_bytes(SIGNED)
    words = ["-Y", "verify", "-f", tmp_path / "list", "-I", ROOM, "-n", SPACE, "-s", tmp_path / "sig"]
    then = datetime(2025, 6, 1, tzinfo=UTC)
    assert keygen(*words, "-O", "verify-time=20250601000000Z", stdin=TEXT).returncode == 0
    assert keygen(*words, stdin=TEXT).returncode != 0
    verdict = judge_signature(
        TEXT, SIGNED, namespace=SPACE, signers=listed(signers), at=then, where="x", now=datetime.now(UTC)
    )
    assert verdict.state == "valid" and [f.rule for f in verdict.findings] == [SINCE]


# --- whole packages ---

RECORD = {"schema_version": "1.0.0", "made_by": {"at": "2026-06-02T11:00:00+02:00"}}
PACKAGE: dict[str, bytes] = {
    "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
    "manifest-sha512.txt": b"00  data/metadata/record.json\n",
    "data/metadata/record.json": json.dumps(RECORD).encode(),
    "tagmanifest-sha512.txt": b"ab" * 64 + b"  manifest-sha512.txt\n",
}
SIG = "tagmanifest-sha512.txt.sig"


def signed(files: Mapping[str, bytes] = PACKAGE, key: Any = OURS) -> dict[str, bytes]:
    return {**files, SIG: key.sign(files["tagmanifest-sha512.txt"], SPACE)}


def examine(
    files: Mapping[str, bytes], signers: Signers | None, required: bool = False, **more: Any
) -> Examined:
    return signature_examiner(signers, required=required)(view_of(files, **more))


def told(result: Examined) -> tuple[str, str, list[str]]:
    return result.state, result.demands, [f.rule for f in result.findings]


GOOD = listed(line(before=date(2026, 6, 3)))


def test_a_package_without_signature_is_as_it_should_be_unless_asked() -> None:
    assert told(examine(PACKAGE, None)) == ("missing", "not_asked", [])
    assert told(examine(PACKAGE, GOOD)) == ("missing", "not_asked", ["sig-missing"])
    assert told(examine(PACKAGE, GOOD, True)) == ("missing", "not_met", ["sig-missing"])


def test_a_signed_package() -> None:
    result = examine(signed(), GOOD, True)
    assert told(result) == ("valid", "met", []) and result.topic == "signature"
    assert result.facts == {
        "state": "valid", "principal": ROOM, "fingerprint": OURS.fingerprint, "namespace": SPACE,
        "signers": "allowed_signers", "sealed_at": "2026-06-02T11:00:00+02:00", "sealed_at_from": "record",
    }  # fmt: skip
    json.dumps(dict(result.facts))
    assert told(examine(signed(), GOOD)) == ("valid", "not_asked", [])
    assert told(examine(signed(), None)) == ("unvouched", "not_asked", ["sig-unvouched"])
    assert told(examine(signed(), None, True)) == ("unvouched", "could_not_check", ["sig-unvouched"])
    assert told(examine(signed(key=OTHER), GOOD, True)) == ("foreign", "not_met", ["sig-foreign"])


def test_a_demand_is_not_met_by_a_key_that_expired_since() -> None:
    for required, demands in ((False, "not_asked"), (True, "could_not_check")):
        result = signature_examiner(GOOD, required=required, now=NOW)(view_of(signed()))
        assert told(result) == ("valid", demands, [SINCE])
    files = PACKAGE | {"tagmanifest-sha512.txt": b"ab" * 64 + b"  bagit.txt\n"}
    result = signature_examiner(GOOD, required=True, now=NOW)(view_of(signed(files)))
    assert told(result) == ("valid", "not_met", [SINCE, "sig-covers-less"])


DAMAGE: dict[str, tuple[Callable[[dict[str, bytes]], dict[str, bytes]], str, str, str]] = {
    "tag manifest changed": (
        lambda f: f | {"tagmanifest-sha512.txt": f["tagmanifest-sha512.txt"].replace(b"ab", b"ac", 1)},
        "wrong", "not_met", "sig-wrong",
    ),
    "no tag manifest": (
        lambda f: {k: v for k, v in f.items() if k != "tagmanifest-sha512.txt"},
        "could_not_check", "could_not_check", "sig-not-checked",
    ),
    "an endless signature": (
        lambda f: f | {SIG: f[SIG] + b"\n" * MAX_SIGNATURE}, "wrong", "not_met", "sig-unreadable",
    ),
    "no time, and a key with dates": (
        lambda f: f | {"data/metadata/record.json": b"[" * 100_000},
        "could_not_check", "could_not_check", "sig-time-unknown",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("damage", "state", "demands", "rule"), DAMAGE.values(), ids=DAMAGE.keys())
def test_damaged_packages(
    damage: Callable[[dict[str, bytes]], dict[str, bytes]], state: str, demands: str, rule: str
) -> None:
    result = examine(damage(signed()), GOOD, True)
    assert told(result) == (state, demands, [rule])
    assert result.findings[0].severity == "error" and result.findings[0].where == f"pcm-0001/{SIG}"


def test_a_signature_over_a_list_that_leaves_the_payload_out_is_not_what_was_asked() -> None:
    # RFC 8493 section 2.2.1: a tag manifest lists the payload manifests
    files = PACKAGE | {"tagmanifest-sha512.txt": b"ab" * 64 + b"  bagit.txt\n"}
    result = examine(signed(files), GOOD, True)
    assert told(result) == ("valid", "not_met", ["sig-covers-less"])
    assert "manifest-sha512.txt" in result.findings[0].what


def test_an_unreadable_file_is_not_a_wrong_signature() -> None:
    from provpack.errors import CouldNotCheck

    def broken(path: str, limit: int) -> bytes:
        raise CouldNotCheck("unreadable", "Input/output error.", where=path, todo="Look at the disk.")

    result = examine(signed(), GOOD, True, read=broken)
    assert told(result) == ("could_not_check", "could_not_check", ["sig-not-checked"])
    assert result.findings[0].todo == "Look at the disk."


TIMES: dict[str, tuple[object, tuple[tuple[str, str], ...], tuple[str | None, str | None]]] = {
    "record": (RECORD, (("Bagging-Date", "2020-01-01"),), ("2026-06-02T11:00:00+02:00", "record")),
    "bag-info": (None, (("bagging-date", "2026-06-03"),), ("2026-06-03T12:00:00+00:00", "bag-info")),
    "a time without a zone is none": (
        {"made_by": {"at": "2026-06-02T11:00:00"}}, (("Bagging-Date", "2026-06-03"),),
        ("2026-06-03T12:00:00+00:00", "bag-info"),
    ),
    "not a time": ({"made_by": {"at": 7}}, (), (None, None)),
    "not an object": (["made_by"], (("Bagging-Date", "yesterday"),), (None, None)),
    "two dates": (None, (("Bagging-Date", "2026-06-03"), ("Bagging-Date", "2026-06-04")), (None, None)),
    "the same date twice": (
        None, (("Bagging-Date", "2026-06-03"), ("Bagging-Date", "2026-06-03")),
        ("2026-06-03T12:00:00+00:00", "bag-info"),
    ),
    "nothing": (None, (), (None, None)),
}  # fmt: skip


@pytest.mark.parametrize(("record", "info", "expected"), TIMES.values(), ids=TIMES.keys())
def test_when_a_bag_says_it_was_sealed(
    record: object, info: tuple[tuple[str, str], ...], expected: tuple[str | None, str | None]
) -> None:
    files = {"data/metadata/record.json": json.dumps(record).encode()} if record is not None else {}
    at, told = sealed_at(view_of(files, bag_info=info))
    assert (at.isoformat() if at else None, told) == expected


def test_the_signer_handed_to_those_who_sign() -> None:
    signer = Signer(principal=ROOM, key=OURS)
    assert signer.fingerprint == OURS.fingerprint and signer.public_line == OURS.public_line()
    assert signer.sign(TEXT, SPACE) == SIGNED
