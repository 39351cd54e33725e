"""The options about signatures, on a small command of their own."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner
from support.signing import ROOM, SPACE, key_by_keygen, key_of_seed

from provpack.cli import signing
from provpack.edge.sshkeys import make_key
from provpack.errors import EnvironmentProblem, InputProblem, ProvpackError, UsageProblem
from provpack.package.signers import signer_line


@click.command()
@signing.sign_options
@signing.check_options
def command(**given: Any) -> None:
    signer = signing.open_signer(given["sign"], given["passphrase_file"], given["signer"])
    if signer is not None:
        click.echo(f"{signer.principal} {signer.fingerprint}")
    signers = signing.read_signers(given["signers"], given["require_signature"])
    examiners = signing.signature_makers(signers, given["require_signature"])
    click.echo(
        f"{len(signers.lines) if signers else 'no'} list, {len([make() for make in examiners])} examiner"
    )


def run(*words: str | Path, text: str | None = None) -> tuple[str, str]:
    """(standard output, standard error) of a run that succeeds."""
    done = CliRunner().invoke(command, [str(w) for w in words], input=text)
    if done.exception is not None:
        raise done.exception
    return done.stdout, done.stderr


def refused(kind: type[ProvpackError], *words: str | Path) -> ProvpackError:
    with pytest.raises(kind) as caught:
        run(*words)
    return caught.value


@pytest.fixture
def plain(tmp_path: Path) -> Path:
    make_key(tmp_path / "key", ROOM)
    return tmp_path / "key"


@pytest.fixture
def locked(tmp_path: Path, tool: Callable[[str], str]) -> Path:
    tool("ssh-keygen")
    return key_by_keygen(tmp_path / "locked", passphrase="moor and fen")


def test_without_options_nothing_is_signed_and_only_looked_at() -> None:
    assert run() == ("no list, 1 examiner\n", "")


def test_the_signer_is_named_by_the_key_or_by_the_option(plain: Path) -> None:
    assert run("--sign", plain)[0].startswith(f"{ROOM} SHA256:")
    assert run("--sign", plain, "--signer", "sealing@grauwell.example")[0].startswith(
        "sealing@grauwell.example "
    )
    assert refused(UsageProblem, "--sign", plain, "--signer", "two words").code == "signer-name"
    make_key(plain.with_name("nameless"), "")
    err = refused(UsageProblem, "--sign", plain.with_name("nameless"))
    assert err.code == "signer-name" and "--signer" in err.todo


def test_options_that_need_a_key(tmp_path: Path) -> None:
    assert "--signer" in refused(UsageProblem, "--signer", ROOM).what
    assert "--passphrase-file" in refused(UsageProblem, "--passphrase-file", tmp_path / "x").what


@pytest.mark.parametrize("content", [b"moor and fen", b"moor and fen\n", b"moor and fen\r\nsecond line\n"])
def test_a_passphrase_from_a_file(locked: Path, tmp_path: Path, content: bytes) -> None:
    (tmp_path / "words").write_bytes(content)
    assert run("--sign", locked, "--passphrase-file", tmp_path / "words")[0].startswith(ROOM)


def test_a_passphrase_file_that_is_none(locked: Path, tmp_path: Path) -> None:
    for nowhere in (tmp_path / "no", locked / "below a file"):
        err = refused(InputProblem, "--sign", locked, "--passphrase-file", nowhere)
        assert (err.code, err.where) == ("passphrase-file-not-found", str(nowhere))
    assert refused(InputProblem, "--sign", locked, "--passphrase-file", tmp_path).code == "passphrase-file"
    (tmp_path / "words").write_bytes(b"x" * 5000)
    assert (
        refused(InputProblem, "--sign", locked, "--passphrase-file", tmp_path / "words").code
        == "passphrase-file"
    )
    (tmp_path / "words").write_bytes("moor".encode("utf-16"))
    assert (
        refused(InputProblem, "--sign", locked, "--passphrase-file", tmp_path / "words").code
        == "passphrase-file"
    )


def test_without_a_terminal_nobody_is_asked(locked: Path) -> None:
    err = refused(UsageProblem, "--sign", locked)
    assert err.code == "key-needs-passphrase" and "--passphrase-file" in err.todo


def test_on_a_terminal_the_passphrase_is_asked_for_and_not_shown(
    locked: Path, plain: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[dict[str, Any]] = []

    def prompt(text: str, **how: Any) -> str:
        asked.append({"text": text, **how})
        return "moor and fen"

    monkeypatch.setattr(signing.click, "prompt", prompt)
    monkeypatch.setattr(signing, "sys", type("Sys", (), {"stdin": Terminal()}))
    assert signing.open_signer(plain, None, None) is not None and asked == [], (
        "a plain key needs no passphrase"
    )
    signer = signing.open_signer(locked, None, None)
    assert signer is not None and signer.principal == ROOM
    (one,) = asked
    assert one["hide_input"] is True and one["err"] is True and str(locked) in one["text"]


class Terminal:
    def isatty(self) -> bool:
        return True


def typing(monkeypatch: pytest.MonkeyPatch, *answers: str) -> list[str]:
    """Whatever is still to be typed on the terminal, after what was asked for."""
    left = list(answers)
    monkeypatch.setattr(signing.click, "prompt", lambda text, **how: left.pop(0))
    monkeypatch.setattr(signing, "sys", type("Sys", (), {"stdin": Terminal()}))
    return left


def test_a_passphrase_may_be_typed_three_times(
    locked: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    left = typing(monkeypatch, "moor", "", "moor and fen", "more")
    signer = signing.open_signer(locked, None, None)
    assert signer is not None and signer.principal == ROOM and left == ["more"]
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 2 and "2 times more" in told[0] and "once more" in told[1]
    left = typing(monkeypatch, "a", "b", "c", "moor and fen")
    with pytest.raises(InputProblem) as err:
        signing.open_signer(locked, None, None)
    assert err.value.code == "key-passphrase" and left == ["moor and fen"]
    typing(monkeypatch)
    with pytest.raises(InputProblem, match="no such key"):
        signing.open_signer(locked.with_name("none"), None, None)


def test_a_passphrase_in_a_file_is_tried_once(
    locked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    typing(monkeypatch, "moor and fen")
    (tmp_path / "words").write_text("wrong")
    with pytest.raises(InputProblem, match="passphrase"):
        signing.open_signer(locked, tmp_path / "words", None)


def test_an_open_passphrase_file_is_told_as_an_open_key_is(locked: Path, tmp_path: Path) -> None:
    words = tmp_path / "words"
    words.write_text("moor and fen\n")
    for mode, told in ((0o644, True), (0o660, True), (0o600, False)):
        words.chmod(mode)
        out, err = run("--sign", locked, "--passphrase-file", words)
        assert (f"{mode:04o}" in err and "chmod 600" in err) is told and f"{mode:04o}" not in out
        assert "moor" not in err


def test_an_open_key_is_told_on_standard_error(plain: Path) -> None:
    plain.chmod(0o644)
    out, err = run("--sign", plain)
    assert "0644" in err and "chmod 600" in err and "0644" not in out


def test_lists_of_signers(tmp_path: Path) -> None:
    (tmp_path / "list").write_text(signer_line(ROOM, key_of_seed(1).public_line(), [SPACE]) + "\nbad line\n")
    assert run("--signers", tmp_path / "list", "--require-signature")[0] == "1 list, 1 examiner\n"
    signers = signing.read_signers(tmp_path / "list")
    assert signers is not None and [f.rule for f in signers.findings] == ["sig-signers-line"]
    assert refused(InputProblem, "--signers", tmp_path / "none").code == "signers-not-found"
    assert refused(EnvironmentProblem, "--signers", tmp_path).where == str(tmp_path)
    assert refused(UsageProblem, "--require-signature").code == "signers-missing"
    (tmp_path / "big").write_bytes(b"#" * (1024 * 1024 + 1))
    assert refused(InputProblem, "--signers", tmp_path / "big").code == "signers-too-large"


def test_a_passphrase_that_is_no_utf_8_opens_its_key(
    tmp_path: Path, tool: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A passphrase is bytes, whatever encoding they were typed in. source: ssh-keygen, which made the key."""
    tool("ssh-keygen")
    key, words = tmp_path / "latin", "m\u00f6\u00f6r".encode("latin-1")
    subprocess.run(
        [b"ssh-keygen", b"-q", b"-t", b"ed25519", b"-C", ROOM.encode(), b"-N", words, b"-f", bytes(key)],
        check=True, capture_output=True,
    )  # fmt: skip
    file = tmp_path / "words"
    file.write_bytes(words + b"\n")
    file.chmod(0o600)
    assert run("--sign", key, "--passphrase-file", file)[0].startswith(ROOM)
    typing(monkeypatch, words.decode("utf-8", "surrogateescape"))
    assert signing.open_signer(key, None, None) is not None


def test_what_is_no_text_in_the_encoding_of_the_terminal_may_be_typed_again(
    locked: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    left = typing(monkeypatch, "", "moor and fen")
    given = signing.click.prompt

    def prompt(text: str, **how: Any) -> str:
        if not (answer := given(text, **how)):
            b"m\xf6r".decode("utf-8")
        return str(answer)

    monkeypatch.setattr(signing.click, "prompt", prompt)
    assert signing.open_signer(locked, None, None) is not None and left == []
    assert "no text in the encoding of this terminal" in capsys.readouterr().err
