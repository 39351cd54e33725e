"""The steps for a registrar: run as they stand, by a shell, with stock ssh-keygen."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from support.signing import ROOM, SPACE, key_of_seed

from provpack.package.readfirst import WIDTH, build_readfirst
from provpack.package.signers import signer_line
from provpack.package.signwords import moment_of, signature_steps

RECORDS = Path(__file__).resolve().parents[1] / "report" / "records"
KEY = key_of_seed(1)
AT = datetime(2026, 6, 2, 9, tzinfo=UTC)


def commands(lines: list[str]) -> list[str]:
    return [line.strip() for line in lines if line.startswith("    ")]


@pytest.fixture
def folder(tmp_path: Path, tool: Callable[[str], str]) -> Path:
    tool("ssh-keygen")
    (tmp_path / "tagmanifest-sha512.txt").write_bytes(b"5f0e  manifest-sha512.txt\n")
    (tmp_path / "tagmanifest-sha512.txt.sig").write_bytes(KEY.sign(b"5f0e  manifest-sha512.txt\n", SPACE))
    return tmp_path


def run(command: str, folder: Path) -> tuple[int, str]:
    done = subprocess.run(
        ["sh", "-c", command], cwd=folder, capture_output=True, text=True, check=False, timeout=30
    )
    return done.returncode, (done.stdout + done.stderr).strip()


def test_the_command_and_its_answer_are_as_promised(folder: Path) -> None:
    (folder / "allowed_signers").write_text(signer_line(ROOM, KEY.public_line(), [SPACE]) + "\n")
    command, answer, dated = commands(signature_steps(ROOM, KEY.fingerprint, SPACE))
    assert command == (
        f"ssh-keygen -Y verify -f allowed_signers -I {ROOM} -n provpack-package "
        "-s tagmanifest-sha512.txt.sig < tagmanifest-sha512.txt"
    )
    assert run(command, folder) == (0, answer)
    assert "YYYYMMDDHHMMSSZ" in dated
    (folder / "tagmanifest-sha512.txt").write_bytes(b"changed")
    code, said = run(command, folder)
    assert code != 0 and not said.startswith("Good")


def test_an_old_key_passes_with_the_time_of_sealing(folder: Path) -> None:
    text = signer_line(ROOM, KEY.public_line(), [SPACE], date(2026, 1, 1), date(2026, 6, 3))
    (folder / "allowed_signers").write_text(text + "\n")
    command, answer, dated = commands(signature_steps(ROOM, KEY.fingerprint, SPACE, sealed_at=AT))
    assert run(command, folder)[0] != 0 and "expired" in run(command, folder)[1]
    assert run(dated, folder) == (0, answer)
    late = commands(signature_steps(ROOM, KEY.fingerprint, SPACE, sealed_at=AT.replace(day=4)))[2]
    assert run(late, folder)[0] != 0


def test_steps_for_another_document(folder: Path) -> None:
    command = commands(
        signature_steps(
            ROOM, KEY.fingerprint, "provpack-delivery", signed="delivery-note.json", signers="../list"
        )
    )[0]
    assert command.startswith(f"ssh-keygen -Y verify -f ../list -I {ROOM} -n provpack-delivery ")
    assert command.endswith("-s delivery-note.json.sig < delivery-note.json")


def test_the_steps_say_what_a_registrar_must_know() -> None:
    lines = signature_steps(ROOM, KEY.fingerprint, SPACE)
    text = " ".join(" ".join(lines).split())
    promised = (
        "accession file|telephone|letterhead|this one line|delete nothing|not needed to check that nothing"
    )
    for said in promised.split("|"):
        assert said in text
    assert max(len(line) for line in lines if not line.startswith("    ")) <= WIDTH
    assert all(line.isascii() for line in lines)


def test_they_stand_in_read_me_first_when_a_package_is_signed() -> None:
    record = json.loads((RECORDS / "no-pcm-found.json").read_text(encoding="utf-8"))
    text = build_readfirst(record, files=record["files"], signed_by=(ROOM, KEY.fingerprint))
    at = moment_of(record["made_by"]["at"])
    assert at is not None
    assert "\n".join(signature_steps(ROOM, KEY.fingerprint, SPACE, sealed_at=at)) in text
    assert f"-O verify-time={at.astimezone(UTC):%Y%m%d%H%M%S}Z" in text
    assert "allowed_signers" not in build_readfirst(record, files=record["files"])


@pytest.mark.parametrize("text", [None, 7, "", "yesterday", "2026-06-02", "2026-06-02T09:00:00"])
def test_a_time_without_its_zone_is_no_moment(text: object) -> None:
    assert moment_of(text) is None
    assert moment_of("2026-06-02T09:00:00Z") == AT == moment_of("2026-06-02T11:00:00+02:00")
