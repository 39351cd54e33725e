"""Signatures against stock ssh-keygen (OpenSSH), both ways, and its verdicts on lists of signers.

Source of every expected value here: the ssh-keygen that is installed (seen: OpenSSH 9.2).
"""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from support.signing import ROOM, SPACE, key_by_keygen, keygen, mutated

from provpack.edge.sshkeys import load_key, make_key
from provpack.errors import InputProblem
from provpack.jobs.signatures import judge_signature
from provpack.package.signers import parse_signers, signer_line
from provpack.package.signwords import signature_steps

Tool = Callable[[str], str]
MESSAGES = {
    "empty": b"",
    "one line": b"5f0e  manifest-sha512.txt\n",
    "every byte": bytes(range(256)) * 3,
    "10 MB": random.Random(4).randbytes(10_000_000),
}
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture(autouse=True)
def stock_tool(tool: Tool) -> None:
    tool("ssh-keygen")


@pytest.fixture
def zone(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Run with this time zone in our process too."""
    name: str = request.param
    monkeypatch.setenv("TZ", name)
    time.tzset()
    yield name
    monkeypatch.undo()
    time.tzset()


def stock_verdict(folder: Path, message: bytes, signature: bytes, *more: str, zone: str = "UTC") -> bool:
    (folder / "m.sig").write_bytes(signature)
    words = ["-Y", "verify", "-f", folder / "allowed", "-n", SPACE, "-s", folder / "m.sig", *more]
    if "-I" not in more:
        words += ["-I", ROOM]
    return keygen(*words, stdin=message, zone=zone).returncode == 0


@pytest.mark.parametrize("message", MESSAGES.values(), ids=MESSAGES.keys())
@pytest.mark.parametrize("passphrase", ["", "seven  grey\theräns"], ids=["plain", "encrypted"])
def test_stock_ssh_keygen_accepts_ours_and_we_accept_its(
    tmp_path: Path, message: bytes, passphrase: str
) -> None:
    path = key_by_keygen(tmp_path / "key", passphrase=passphrase)
    key = load_key(path, (lambda: passphrase) if passphrase else None)
    assert (path.with_name("key.pub")).read_text().strip() == key.public_line()
    (tmp_path / "allowed").write_text(signer_line(ROOM, key.public_line(), [SPACE]) + "\n")
    ours = key.sign(message, SPACE)
    assert stock_verdict(tmp_path, message, ours)
    assert not stock_verdict(tmp_path, message + b"x", ours)
    (tmp_path / "m").write_bytes(message)
    plain = tmp_path / "plain"
    plain.write_bytes(path.read_bytes())
    plain.chmod(0o600)
    if passphrase:
        assert keygen("-q", "-p", "-P", passphrase, "-N", "", "-f", plain).returncode == 0
    done = keygen("-q", "-Y", "sign", "-f", plain, "-n", SPACE, tmp_path / "m")
    assert done.returncode == 0, done.stderr
    theirs = (tmp_path / "m.sig").read_bytes()
    assert theirs == ours, "Ed25519 is deterministic (RFC 8032): the files must be the same to the byte"
    signers = parse_signers((tmp_path / "allowed").read_bytes(), "allowed")
    verdict = judge_signature(message, theirs, namespace=SPACE, signers=signers, at=None, where="m.sig")
    assert (verdict.state, verdict.principal, verdict.findings) == ("valid", ROOM, ())
    shown = keygen("-l", "-f", path.with_name("key.pub")).stdout.decode()
    assert verdict.fingerprint is not None and verdict.fingerprint in shown
    # what -Y verify prints is what the steps for the registrar promise
    good = next(
        line for line in signature_steps(ROOM, key.fingerprint, SPACE) if "Good" in line and "ED25519" in line
    )
    words = ["-Y", "verify", "-f", tmp_path / "allowed", "-I", ROOM, "-n", SPACE, "-s", tmp_path / "m.sig"]
    assert keygen(*words, stdin=message).stdout.decode().strip() == good.strip()


@pytest.mark.parametrize("cipher", ["aes256-ctr", "aes256-cbc", "aes256-gcm@openssh.com"])
def test_ciphers_of_encrypted_keys(tmp_path: Path, cipher: str) -> None:
    path = key_by_keygen(tmp_path / "key", "-Z", cipher, "-a", "4", passphrase="moor")
    assert load_key(path, lambda: "moor").comment == ROOM


@pytest.mark.parametrize("cipher", ["aes128-ctr", "chacha20-poly1305@openssh.com", "3des-cbc"])
def test_a_cipher_not_known_here_is_refused_with_a_way_out(tmp_path: Path, cipher: str) -> None:
    path = key_by_keygen(tmp_path / "key", "-Z", cipher, "-a", "4", passphrase="moor")
    with pytest.raises(InputProblem) as caught:
        load_key(path, lambda: "moor")
    assert caught.value.code == "key-cipher" and "ssh-keygen -p -Z aes256-ctr" in caught.value.todo
    done = keygen("-q", "-p", "-Z", "aes256-ctr", "-P", "moor", "-N", "moor", "-f", path)
    assert done.returncode == 0, done.stderr
    assert load_key(path, lambda: "moor").comment == ROOM


def test_signatures_with_sha256_are_read(tmp_path: Path) -> None:
    path = key_by_keygen(tmp_path / "key")
    (tmp_path / "m").write_bytes(b"text")
    done = keygen("-q", "-Y", "sign", "-O", "hashalg=sha256", "-f", path, "-n", SPACE, tmp_path / "m")
    assert done.returncode == 0, done.stderr
    signature = (tmp_path / "m.sig").read_bytes()
    verdict = judge_signature(b"text", signature, namespace=SPACE, signers=None, at=None, where="m.sig")
    assert verdict.state == "unvouched" and verdict.fingerprint == load_key(path, None).fingerprint


@pytest.mark.parametrize(("kind", "named"), [("rsa", "ssh-rsa"), ("ecdsa", "ecdsa-sha2-nistp256")])
def test_other_key_types_are_named_not_called_wrong(tmp_path: Path, kind: str, named: str) -> None:
    path = key_by_keygen(tmp_path / "key", kind=kind)
    (tmp_path / "m").write_bytes(b"text")
    assert keygen("-q", "-Y", "sign", "-f", path, "-n", SPACE, tmp_path / "m").returncode == 0
    signature = (tmp_path / "m.sig").read_bytes()
    verdict = judge_signature(b"text", signature, namespace=SPACE, signers=None, at=None, where="m.sig")
    assert verdict.state == "could_not_check" and named in verdict.findings[0].what


def test_signature_by_a_certificate_is_named(tmp_path: Path) -> None:
    authority = key_by_keygen(tmp_path / "ca")
    path = key_by_keygen(tmp_path / "key")
    done = keygen("-q", "-s", authority, "-I", "demo", "-n", ROOM, path.with_name("key.pub"))
    assert done.returncode == 0, done.stderr
    certificate = (tmp_path / "key-cert.pub").read_text()
    # ssh-keygen signs with the certificate through an agent only; its blob is put into a signature by hand
    from provpack.package.sshsig import build_signature
    from provpack.package.sshwire import blob_of_line

    signature = build_signature(blob_of_line(certificate), SPACE, bytes(64))
    verdict = judge_signature(b"", signature, namespace=SPACE, signers=None, at=None, where="m.sig")
    assert verdict.state == "could_not_check"
    assert "ssh-ed25519-cert-v01@openssh.com" in verdict.findings[0].what


def test_a_key_we_made_is_a_key_to_ssh_keygen(tmp_path: Path) -> None:
    made = make_key(tmp_path / "demo", "room@grauwell.example")
    assert keygen("-y", "-f", tmp_path / "demo").stdout.decode().strip() == made.public_line()
    assert (tmp_path / "demo.pub").read_text() == made.public_line() + "\n"
    (tmp_path / "m").write_bytes(b"text")
    done = keygen("-q", "-Y", "sign", "-f", tmp_path / "demo", "-n", SPACE, tmp_path / "m")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "m.sig").read_bytes() == made.sign(b"text", SPACE)
    done = keygen("-q", "-p", "-P", "", "-N", "later", "-f", tmp_path / "demo")
    assert done.returncode == 0, done.stderr
    assert load_key(tmp_path / "demo", lambda: "later").fingerprint == made.fingerprint


ROWS = [  # (line with KEY for the key, time of sealing in UTC)
    (f"{ROOM} KEY", "20261125120000"),
    (f"{ROOM} KEY with a comment", "20261125120000"),
    (f"  {ROOM}\tKEY", "20261125120000"),
    (f'{ROOM} namespaces="{SPACE}" KEY', "20261125120000"),
    (f'{ROOM} NAMESPACES="file,{SPACE}" KEY', "20261125120000"),
    (f'{ROOM} namespaces="provpack-*" KEY', "20261125120000"),
    (f'{ROOM} namespaces="*,!{SPACE}" KEY', "20261125120000"),
    (f'{ROOM} namespaces="!file,*" KEY', "20261125120000"),
    (f'{ROOM} namespaces="file" KEY', "20261125120000"),
    (f'{ROOM} namespaces="" KEY', "20261125120000"),
    (f'{ROOM} namespaces="provpack-packag?" KEY', "20261125120000"),
    (f'{ROOM} namespaces="Provpack-Package" KEY', "20261125120000"),
    (f"{ROOM} namespaces={SPACE} KEY", "20261125120000"),
    (f'{ROOM} namespaces="{SPACE}",namespaces="file" KEY', "20261125120000"),
    (f'{ROOM} namespaces="{SPACE} KEY', "20261125120000"),
    (f'{ROOM} namespaces="{SPACE}", KEY', "20261125120000"),
    (f'{ROOM} namespaces="{SPACE}" valid-after="20200101" KEY', "20261125120000"),
    (f"{ROOM} cert-authority KEY", "20261125120000"),
    (f"{ROOM} no-such-option KEY", "20261125120000"),
    (f'{ROOM} verify-required="x" KEY', "20261125120000"),
    (f'{ROOM} valid-before="20261125120000Z" KEY', "20261125120000"),
    (f'{ROOM} valid-before="20261125115959Z" KEY', "20261125120000"),
    (f'{ROOM} valid-before="202611251200Z" KEY', "20261125120001"),
    (f'{ROOM} valid-before="20261126Z" KEY', "20261126000000"),
    (f'{ROOM} valid-before="20261126Z" KEY', "20261126000001"),
    (f'{ROOM} valid-after="20261125120000Z" KEY', "20261125120000"),
    (f'{ROOM} valid-after="20261125120000z" KEY', "20261125115959"),
    (f'{ROOM} valid-after="20261125UTC" KEY', "20261125000000"),
    (f'{ROOM} valid-after="20261125" KEY', "20261124235959"),
    (f'{ROOM} valid-after="20261125" KEY', "20261125000000"),
    (f'{ROOM} valid-after="20260701" KEY', "20260701003000"),
    (f'{ROOM} valid-before="20260701" KEY', "20260630223000"),
    (f'{ROOM} valid-before="20260701" KEY', "20260630233000"),
    (f'{ROOM} valid-after="20250101Z",valid-before="20270101Z" KEY', "20261125120000"),
    (f'{ROOM} valid-after="20270101Z",valid-before="20250101Z" KEY', "20261125120000"),
    (f'{ROOM} valid-after="20250101Z",valid-before="20250101Z" KEY', "20250101000000"),
    (f'{ROOM} valid-after="20251301Z" KEY', "20261125120000"),
    (f'{ROOM} valid-after="2025" KEY', "20261125120000"),
    (f'{ROOM} valid-after="" KEY', "20261125120000"),
    (f'{ROOM} Valid-After="20250101Z",nAmEspaces="{SPACE}" KEY', "20261125120000"),
    (f"# {ROOM} KEY", "20261125120000"),
    ("*@grauwell.example KEY", "20261125120000"),
    ("transfer-r??m@* KEY", "20261125120000"),
    ("other@grauwell.example KEY", "20261125120000"),
    (f"other@grauwell.example,{ROOM} KEY", "20261125120000"),
    (f"*,!{ROOM} KEY", "20261125120000"),
    ("!other@grauwell.example,* KEY", "20261125120000"),
    (f"!{ROOM} KEY", "20261125120000"),
    (f"{ROOM.upper()} KEY", "20261125120000"),
    (f"{ROOM} ssh-rsa AAAA", "20261125120000"),
    (f"{ROOM} ssh-ed25519", "20261125120000"),
    (f"{ROOM}", "20261125120000"),
    (f'{ROOM} namespaces="file" KEY\n{ROOM} KEY', "20261125120000"),
    (f'{ROOM} valid-before="20200101Z" KEY\n{ROOM} valid-after="20200102Z" KEY', "20261125120000"),
    (f"{ROOM} nonsense KEY\r\n{ROOM} KEY\r", "20261125120000"),
]
ZONES = ["UTC", "CET-1CEST,M3.5.0,M10.5.0/3", "EST5EDT,M3.2.0,M11.1.0"]


@pytest.mark.parametrize("zone", ZONES, indirect=True)
def test_every_row_of_a_list_is_judged_as_ssh_keygen_does(tmp_path: Path, zone: str) -> None:
    key = load_key(key_by_keygen(tmp_path / "key"), None)
    message = b"5f0e  manifest-sha512.txt\n"
    signature = key.sign(message, SPACE)
    public = key.public_line().rsplit(" ", 1)[0]
    differ, seen = [], set()
    for row, moment in ROWS:
        text = row.replace("KEY", public) + "\n"
        (tmp_path / "allowed").write_text(text, newline="")
        stock = stock_verdict(tmp_path, message, signature, "-O", f"verify-time={moment}Z", zone=zone)
        verdict = judge_signature(
            message, signature, namespace=SPACE, signers=parse_signers(text.encode(), "allowed"),
            at=datetime.strptime(moment, "%Y%m%d%H%M%S").replace(tzinfo=UTC), where="m.sig", principal=ROOM,
        )  # fmt: skip
        seen.add(verdict.state)
        if stock != (verdict.state == "valid"):
            differ.append((row, moment, stock, verdict))
    assert not differ
    assert seen == {"valid", "foreign", "expired"}
    assert os.environ["TZ"] == zone


def test_the_name_found_is_the_one_ssh_keygen_finds(tmp_path: Path) -> None:
    key = load_key(key_by_keygen(tmp_path / "key"), None)
    other = load_key(key_by_keygen(tmp_path / "other"), None)
    signature = key.sign(b"text", SPACE)
    lines = [
        signer_line("someone@elsewhere.example", other.public_line(), []),
        signer_line(
            "early@grauwell.example", key.public_line(), [SPACE], None, NOW.date().replace(year=2001)
        ),
        signer_line(ROOM, key.public_line(), [SPACE], datetime(2020, 1, 1, 9, 30, tzinfo=UTC)),
    ]
    text = "\n".join(lines) + "\n"
    (tmp_path / "allowed").write_text(text)
    (tmp_path / "m.sig").write_bytes(signature)
    done = keygen(
        "-Y", "find-principals", "-f", tmp_path / "allowed", "-s", tmp_path / "m.sig",
        "-O", f"verify-time={NOW:%Y%m%d%H%M%S}Z",
    )  # fmt: skip
    verdict = judge_signature(
        b"text", signature, namespace=SPACE, signers=parse_signers(text.encode(), "a"), at=NOW, where="m.sig"
    )
    assert done.stdout.decode().splitlines() == [verdict.principal] == [ROOM]


ARMOUR: dict[str, Callable[[bytes], bytes]] = {
    "as written": lambda s: s,
    "no line end at the end": lambda s: s.rstrip(b"\n"),
    "CR LF": lambda s: s.replace(b"\n", b"\r\n"),
    "a line before": lambda s: b"\n" + s,
    "cut in half": lambda s: s[:150],
    "no last line": lambda s: s.partition(b"-----END")[0],
    "lines of 76": lambda s: rewrapped(s, 76),
    "one long line": lambda s: rewrapped(s, 4000),
    "empty": lambda s: b"",
}


def rewrapped(signature: bytes, width: int) -> bytes:
    first, *middle, last = signature.strip().split(b"\n")
    body = b"".join(middle)
    return b"\n".join([first, *(body[i : i + width] for i in range(0, len(body), width)), last, b""])


@pytest.mark.parametrize("change", ARMOUR.values(), ids=ARMOUR.keys())
def test_the_armour_is_read_as_ssh_keygen_reads_it(tmp_path: Path, change: Callable[[bytes], bytes]) -> None:
    key = load_key(key_by_keygen(tmp_path / "key"), None)
    text = signer_line(ROOM, key.public_line(), [])
    (tmp_path / "allowed").write_text(text + "\n")
    signature = change(key.sign(b"text", SPACE))
    verdict = judge_signature(
        b"text", signature, namespace=SPACE, signers=parse_signers(text.encode(), "a"), at=NOW, where="m.sig"
    )
    assert (verdict.state == "valid") == stock_verdict(tmp_path, b"text", signature)


def test_what_we_call_valid_ssh_keygen_calls_good(tmp_path: Path) -> None:
    # 400 seeded mutations of signature and list; we may be the stricter one, never the laxer one
    rng, key = random.Random(1126), load_key(key_by_keygen(tmp_path / "key"), None)
    message, signature = b"text", key.sign(b"text", SPACE)
    public = key.public_line()
    listed = (
        f'# list\n{ROOM},x@y.example namespaces="{SPACE}",valid-after="20250101Z" {public}\n'
        f'*@grauwell.example valid-before="20260101Z" {public}\n'
    ).encode()
    agreed = stricter = 0
    for number in range(400):
        lines, seal = (mutated(rng, listed), signature) if number % 4 else (listed, mutated(rng, signature))
        (tmp_path / "allowed").write_bytes(lines)
        verdict = judge_signature(
            message, seal, namespace=SPACE, signers=parse_signers(lines, "a"), at=NOW, where="m.sig",
            principal=ROOM,
        )  # fmt: skip
        stock = stock_verdict(tmp_path, message, seal, "-O", f"verify-time={NOW:%Y%m%d%H%M%S}Z")
        assert stock or verdict.state != "valid", (lines, seal)
        agreed += stock and verdict.state == "valid"
        stricter += stock and verdict.state != "valid"
    assert agreed > 50, "the mutations leave nothing to agree on"
    assert stricter < 20, "far stricter than ssh-keygen"
