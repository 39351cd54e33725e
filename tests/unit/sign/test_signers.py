"""Lists of signers: the format of ssh-keygen(1), ALLOWED SIGNERS. Verdicts are held against ssh-keygen itself
in tests/interop/test_sshsig.py; here is what is said about lines, and what a hostile list can do."""

from __future__ import annotations

import random
import time
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.signing import ROOM, SPACE, key_of_seed, mutated

from provpack.errors import InputProblem, UsageProblem
from provpack.jobs.signatures import judge_signature
from provpack.package.signers import (
    MAX_SIGNERS,
    check_principal,
    matches,
    parse_signers,
    signer_line,
)

KEY = key_of_seed(1).public_line().rsplit(" ", 1)[0]
BEST = f'{ROOM} namespaces="{SPACE}",valid-after="20250101Z",valid-before="202701011230Z" {KEY} the comment'


def found(text: str) -> list[tuple[str, str, object]]:
    signers = parse_signers(text.encode(), "allowed_signers")
    return [(f.rule, f.where, f.position.get("row")) for f in signers.findings]


def test_a_whole_line() -> None:
    signers = parse_signers(f"# our room\n\n{BEST}\n".encode(), "allowed_signers")
    (line,) = signers.lines
    assert signers.findings == () and (line.line, line.principals) == (3, ROOM)
    assert line.public_key == key_of_seed(1).public_key
    assert line.valid_after == datetime(2025, 1, 1, tzinfo=UTC)
    assert line.valid_before == datetime(2027, 1, 1, 12, 30, tzinfo=UTC)
    assert line.allows(SPACE) and not line.allows("provpack-receipt") and line.named(ROOM)
    assert line.when() == "from 2025-01-01T00:00:00+00:00 until 2027-01-01T12:30:00+00:00"
    # both ends belong to it (ssh-keygen(1): "at or after", "at or before")
    second = timedelta(seconds=1)
    assert line.standing(line.valid_after) == line.standing(line.valid_before) == "inside"
    assert line.standing(line.valid_after - second) == "early"
    assert line.standing(line.valid_before + second) == "late"
    assert line.standing(None) == "unknown"


BAD = {
    f"{ROOM}": ("sig-signers-line", "no usable key"),
    f"{ROOM} ssh-ed25519": ("sig-signers-line", "no public key"),
    f"{ROOM} ssh-ed25519 AAAA": ("sig-signers-line", "are left"),
    f"{ROOM} ssh-ed25519 !!!!": ("sig-signers-line", "not base64"),
    f"{ROOM} ssh-rsa {KEY.split()[1]}": ("sig-signers-line", "type that stands before"),
    f'"{ROOM}" {KEY}': ("sig-signers-line", "in quotes"),
    f"!{ROOM} {KEY}": ("sig-signers-line", "names none"),
    f"\ufeff{ROOM} {KEY}": ("sig-signers-line", "byte order mark"),
    f"{ROOM}\x00 {KEY}": ("sig-signers-line", "cannot be seen"),
    f"{ROOM}\u202e {KEY}": ("sig-signers-line", "cannot be seen"),
    f"{ROOM} {'x' * 40000} {KEY}": ("sig-signers-line", "longer than"),
    f"{ROOM} cert-authority {KEY}": ("sig-signers-authority", "certificate authority"),
    f'{ROOM} namespaces="a",CERT-Authority {KEY}': ("sig-signers-authority", "certificate authority"),
    f"{ROOM} no-touch-required {KEY}": ("sig-signers-option", "'no-touch-required' is not known"),
    f'{ROOM} from="*.example" {KEY}': ("sig-signers-option", "'from' is not known"),
    f"{ROOM} namespaces=file {KEY}": ("sig-signers-option", "double quotes"),
    f"{ROOM} valid-after=20250101 {KEY}": ("sig-signers-option", "double quotes"),
    f'{ROOM} namespaces="a {KEY}': ("sig-signers-line", "not closed"),
    f'{ROOM} namespaces="a\\" {KEY}': ("sig-signers-line", "not closed"),
    f'{ROOM} namespaces="a",namespaces="b" {KEY}': ("sig-signers-option", "twice"),
    f'{ROOM} namespaces="a",, {KEY}': ("sig-signers-option", "is not known"),
    f'{ROOM} namespaces="a", {KEY}': ("sig-signers-option", "single commas"),
    f'{ROOM} namespaces="a";valid-after="20250101" {KEY}': ("sig-signers-option", "single commas"),
    f'{ROOM} valid-after="2025-01-01" {KEY}': ("sig-signers-option", "YYYYMMDD"),
    f'{ROOM} valid-after="20250230Z" {KEY}': ("sig-signers-option", "YYYYMMDD"),
    f'{ROOM} valid-after="2025010112Z" {KEY}': ("sig-signers-option", "YYYYMMDD"),
    f'{ROOM} valid-after="19691231Z" {KEY}': ("sig-signers-option", "YYYYMMDD"),
    f'{ROOM} valid-after="00010101" {KEY}': ("sig-signers-option", "YYYYMMDD"),
    f'{ROOM} valid-after="99999999" {KEY}': ("sig-signers-option", "YYYYMMDD"),
    f'{ROOM} valid-after="２０２５０１０１" {KEY}': ("sig-signers-option", "YYYYMMDD"),
    f'{ROOM} valid-after="20270101",valid-before="20250101" {KEY}': ("sig-signers-option", "not after"),
}


@pytest.mark.parametrize(("line", "said"), BAD.items(), ids=[k[:60] for k in BAD])
def test_a_line_that_cannot_be_used_is_named_and_passed_over(line: str, said: tuple[str, str]) -> None:
    signers = parse_signers(f"# head\n{line}\n{BEST}\n".encode(), "allowed_signers")
    assert [found.line for found in signers.lines] == [3], "the others stand"
    (finding,) = signers.findings
    assert finding.rule == said[0] and said[1] in finding.what and finding.severity == "warning"
    assert finding.where == "allowed_signers, line 2" and finding.position["row"] == 2


def test_bytes_that_are_no_text() -> None:
    signers = parse_signers(b"\xff\xfe " + KEY.encode() + b"\n" + BEST.encode(), "s")
    assert len(signers.lines) == 1 and "UTF-8" in signers.findings[0].what


@pytest.mark.parametrize("text", ["", "# nobody\n", "\n\n"])
def test_an_empty_list_says_so(text: str) -> None:
    assert found(text) == [("sig-signers-empty", "allowed_signers", None)]


def test_a_list_beyond_all_measure_is_refused() -> None:
    with pytest.raises(InputProblem, match="larger than"):
        parse_signers(b"#" * (MAX_SIGNERS + 1), "s")


def test_a_million_bad_lines_end_soon() -> None:
    started = time.process_time()
    signers = parse_signers(b"x\n" * (MAX_SIGNERS // 2), "s")
    assert len(signers.findings) < 11_000 and time.process_time() - started < 20


@pytest.mark.parametrize(
    ("text", "patterns", "expected"),
    [  # ssh_config(5), PATTERNS
        ("a@b", "a@b", True), ("a@b", "*", True), ("", "*", True), ("", "", True), ("a", "", False),
        ("a@b", "?@?", True), ("a@b", "??", False), ("a@b", "x,a@*", True), ("a@b", "!a@b,*", False),
        ("a@b", "*,!a@b", False), ("a@b", "!x,*", True), ("a@b", "!x", False), ("ab", "a**b", True),
        ("a@b", "A@b", False), ("a" * 2000, "*" + "a" * 1023, False), ("aXbXc", "a*X*c", True),
    ],
)  # fmt: skip
def test_patterns(text: str, patterns: str, expected: bool) -> None:
    assert matches(text, patterns) is expected


def test_patterns_take_no_longer_for_many_stars() -> None:
    started = time.process_time()
    assert not matches("a" * 1000, "*a" * 500 + "b")
    assert time.process_time() - started < 5


def slow_match(text: str, pattern: str) -> bool:
    """The definition, recursively; for short texts."""
    if not pattern:
        return not text
    if pattern[0] == "*":
        return any(slow_match(text[at:], pattern[1:]) for at in range(len(text) + 1))
    return bool(text) and pattern[0] in ("?", text[0]) and slow_match(text[1:], pattern[1:])


@given(st.text("ab", max_size=7), st.text("ab*?", max_size=7))
def test_patterns_match_by_their_definition(text: str, pattern: str) -> None:
    assert matches(text, pattern) == slow_match(text, pattern)


@pytest.mark.parametrize(
    "name",
    ["", "two words", "a,b", "star*", "who?", "!no", "-I", "#x", "ü@x", 'q"q', "tab\tx", "x" * 201, "a\n"],
)
def test_names_that_cannot_stand_in_a_list(name: str) -> None:
    with pytest.raises(UsageProblem) as caught:
        check_principal(name, "--signer")
    assert caught.value.code == "signer-name" and "--signer" in caught.value.todo


def test_lines_we_write_are_read_back() -> None:
    zone = timezone(timedelta(hours=2))
    text = signer_line(
        ROOM, key_of_seed(1).public_line(), [SPACE, "provpack-receipt"],
        date(2026, 1, 2), datetime(2027, 3, 4, 1, 30, 5, tzinfo=zone),
    )  # fmt: skip
    assert text == (
        f'{ROOM} namespaces="{SPACE},provpack-receipt",valid-after="20260102Z",'
        f'valid-before="20270303233005Z" {KEY}'
    )
    (line,) = parse_signers(text.encode(), "s").lines
    assert line.valid_after == datetime(2026, 1, 2, tzinfo=UTC)
    assert line.valid_before == datetime(2027, 3, 3, 23, 30, 5, tzinfo=UTC)
    assert signer_line(ROOM, KEY, []) == f"{ROOM} {KEY}"


@pytest.mark.parametrize("public", ["", "ssh-ed25519", "ssh-ed25519 AAAA", "hello there you"])
def test_a_line_needs_a_key(public: str) -> None:
    with pytest.raises(InputProblem):
        signer_line(ROOM, public, [])


def test_two_thousand_mutations_of_a_list() -> None:
    # never an exception, and never trust that the list does not give: whatever is left must hold the key
    rng, key = random.Random(25), key_of_seed(1)
    other = key_of_seed(2).sign(b"text", SPACE)
    text = f"# list\n{BEST}\n*@grauwell.example,!x@y.example {KEY}\n".encode()
    at, states = datetime(2026, 6, 1, tzinfo=UTC), dict.fromkeys(("valid", "foreign", "expired"), 0)
    ours = key.sign(b"text", SPACE)
    for _ in range(2000):
        signers = parse_signers(mutated(rng, text), "s")
        for signature in (ours, other):
            verdict = judge_signature(
                b"text", signature, namespace=SPACE, signers=signers, at=at, where="x", principal=ROOM
            )
            states[verdict.state] += 1
            assert verdict.state != "valid" or signature is ours
            assert verdict.state != "valid" or any(
                line.public_key == key.public_key for line in signers.lines
            )
            changed = judge_signature(b"texT", signature, namespace=SPACE, signers=signers, at=at, where="x")
            assert changed.state == "wrong"
    assert states["valid"] > 1000 and states["foreign"] > 2000


@given(st.binary(max_size=400))
def test_any_bytes_are_a_list_of_nobody(data: bytes) -> None:
    assert parse_signers(data, "s").lines == ()
