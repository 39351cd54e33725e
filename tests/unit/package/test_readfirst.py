"""READ-ME-FIRST.txt: its commands are run literally, as a registrar would, in a small package-like folder.
Judges: coreutils (sha512sum, sha256sum, tail, head, wc, find)."""

from __future__ import annotations

import hashlib
import json
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from provpack.package.readfirst import FILE_NAME, WIDTH, build_readfirst
from provpack.package.readfirst_words import (
    FILE_EMPHASIS,
    emphasis_words,
    hertz,
    one_line,
    outcome_words,
    rate_words,
)

RECORDS = Path(__file__).resolve().parents[1] / "report" / "records"


@pytest.fixture
def record() -> dict[str, Any]:
    data: dict[str, Any] = json.loads((RECORDS / "pcm-14-bit.json").read_text(encoding="utf-8"))
    return data


def commands(text: str) -> list[str]:
    return [line[4:] for line in text.splitlines() if line.startswith("    ")]


@pytest.fixture
def package(tmp_path: Path, record: dict[str, Any]) -> tuple[Path, str]:
    """A folder with a master of 1000 frames, its manifests and its READ-ME-FIRST.txt."""
    head, tail = b"h" * 68, b"t" * 30
    sound = bytes(n * 7 % 251 for n in range(4000))
    for entry in record["files"]:
        path = tmp_path / entry["path"]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(head + sound + tail if entry["role"] == "master" else entry["path"].encode())
    step = 300 * 4
    audio = {
        "file": "data/master/b-00412.wav",
        "audio_offset": len(head),
        "audio_bytes": len(sound),
        "frame_bytes": 4,
        "block_frames": 300,
        "audio_sha256": hashlib.sha256(sound).hexdigest(),
        "blocks": [hashlib.sha256(sound[i : i + step]).hexdigest() for i in range(0, len(sound), step)],
    }
    text = build_readfirst(record, files=record["files"], audio=audio)
    (tmp_path / FILE_NAME).write_text(text, encoding="utf-8")

    def manifest(names: list[str], into: str) -> None:
        lines = [f"{hashlib.sha512((tmp_path / n).read_bytes()).hexdigest()}  {n}\n" for n in names]
        (tmp_path / into).write_text("".join(lines), encoding="utf-8")

    manifest([e["path"] for e in record["files"]], "manifest-sha512.txt")
    manifest([FILE_NAME, "manifest-sha512.txt"], "tagmanifest-sha512.txt")
    return tmp_path, text


def run(command: str, folder: Path) -> tuple[int, str]:
    done = subprocess.run(["sh", "-c", command], cwd=folder, capture_output=True, text=True, timeout=30)
    return done.returncode, done.stdout


def test_the_commands_do_what_the_text_says(package: tuple[Path, str], tool: Callable[[str], str]) -> None:
    tool("sha512sum")
    folder, text = package
    lines = commands(text)
    for line in ("sha512sum -c manifest-sha512.txt", "sha512sum -c tagmanifest-sha512.txt"):
        assert line in lines
        code, said = run(line, folder)
        assert code == 0 and all(answer.endswith(": OK") for answer in said.splitlines())
    assert "shasum -a 512 -c manifest-sha512.txt" in lines
    listed, there = (
        run(line, folder)[1].strip() for line in lines if line.endswith("wc -l") or line.startswith("wc")
    )
    assert listed == there == "4"
    cuts = [line for line in lines if line.startswith("tail -c +")]
    assert len(cuts) == 2, "the sound, and piece number 0"
    for cut in cuts:
        expected = lines[lines.index(cut) + 1]
        assert run(cut, folder) == (0, f"{expected}  -\n")


def test_a_changed_label_fails_the_file_and_not_the_sound(
    package: tuple[Path, str], tool: Callable[[str], str]
) -> None:
    tool("sha512sum")
    folder, text = package
    master = folder / "data" / "master" / "b-00412.wav"
    data = bytearray(master.read_bytes())
    data[-1] ^= 1
    master.write_bytes(data)
    code, said = run("sha512sum -c manifest-sha512.txt", folder)
    assert code != 0 and "data/master/b-00412.wav: FAILED" in said
    lines = commands(text)
    cut = next(line for line in lines if line.startswith("tail -c +"))
    assert run(cut, folder)[1].split()[0] == lines[lines.index(cut) + 1]


def test_the_text_is_short_lined_plain_and_names_what_is_there(package: tuple[Path, str]) -> None:
    _, text = package
    assert text.endswith("\n") and "\r" not in text and "\t" not in text and not text.startswith("\ufeff")
    assert all(len(line) <= WIDTH for line in text.splitlines() if not line.startswith("    "))
    flat = " ".join(text.split())
    for said in (
        "Get-FileHash -Algorithm SHA512",
        "sounds too bright until it is de-emphasised; that is intended",
        "it says 44 056 Hz. That is correct.",
        "The sound itself is 4000 bytes long and begins after byte 68 of the file.",
        "Copyright:",
        "Personal data: label, sound or papers hold data about persons. names of singers on the inlay",
        "Access is restricted: reading room only (until 2040-12-31)",
        "With mould, do not wipe and do not play",
        "Do not bake tapes",
        "mains-powered",
        "Breakwater Tape Room. Name the job (PE-2031-04)",
        "Only a part of the carrier was transferred. Side ran out of data",
    ):
        assert said in flat
    assert "data/metadata/" in text and "data/report/" in text, "they are there, listed in the record or not"
    assert "data/passes/" not in text and "ssh-keygen" not in text


def test_a_record_without_audio_says_so(record: dict[str, Any]) -> None:
    none = json.loads((RECORDS / "no-pcm-found.json").read_text(encoding="utf-8"))
    text = build_readfirst(none, files=none["files"])
    assert "It has no sound file." in " ".join(text.split())
    assert "No digital audio was found on the carrier." in text
    assert "Before you listen" not in text and "tail -c" not in text


def test_a_signature_is_checked_with_ssh_keygen(record: dict[str, Any]) -> None:
    who = "tape room'; rm -rf ~"
    text = build_readfirst(record, files=record["files"], signed_by=(who, "SHA256:abc"))
    line = next(c for c in commands(text) if c.startswith("ssh-keygen"))
    # Words of a hostile name stay one word of the shell (POSIX shell, 2.2.2 single quotes).
    words = subprocess.run(
        ["sh", "-c", "printf '%s\\n' " + line.partition(" <")[0]], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert words[words.index("-I") + 1] == who
    assert words[-1] == "tagmanifest-sha512.txt.sig"


def test_it_names_the_manifests_that_are_there_and_the_signature(record: dict[str, Any]) -> None:
    # names of manifests: RFC 8493, 2.1.3 and 2.2.1
    plain = " ".join(build_readfirst(record, files=record["files"]).split())
    assert "- manifest-sha512.txt, manifest-sha256.txt a digest" in plain
    assert "md5" not in plain and ".sig" not in plain
    more = build_readfirst(
        record, files=record["files"], signed_by=("a", "SHA256:b"), algorithms=("md5", "sha256", "sha512")
    )
    assert all(len(line) <= WIDTH for line in more.splitlines() if not line.startswith("    "))
    said = " ".join(more.split())
    assert "- manifest-sha512.txt, manifest-sha256.txt, manifest-md5.txt a digest" in said
    assert "- tagmanifest-sha512.txt, tagmanifest-sha256.txt, tagmanifest-md5.txt the same" in said
    assert "- tagmanifest-sha512.txt.sig the signature over tagmanifest-sha512.txt." in said


def test_hostile_text_stays_on_its_line(record: dict[str, Any]) -> None:
    record["item"]["title"] = "a\n    rm -rf ~\r\x1b[2J\u202eevil\u2028x" + "y" * 5000
    text = build_readfirst(record, files=record["files"])
    assert "    rm -rf ~" not in text.splitlines()
    assert not set("\x1b\u202e\u2028\r") & set(text)
    assert len(text) < 20000


@pytest.mark.parametrize("word", sorted(FILE_EMPHASIS))
def test_every_emphasis_state_has_its_own_sentence(record: dict[str, Any], word: str) -> None:
    # domain rule: unknown never becomes off; the schema's file_emphasis list
    record["signal"]["file_emphasis"] = word
    assert emphasis_words(record) == FILE_EMPHASIS[word]
    assert ("plays as it is" in emphasis_words(record)) == (word == "absent")


@pytest.mark.parametrize(
    ("num", "den", "header", "said"),
    [
        # computed: 44056 for 44100/1.001 is +1.27 ppm, 4.6 ms per hour; 44100 for it is 999 ppm, 3.6 s
        (44100000, 1001, 44056, "4.6 ms shorter"),
        (44100000, 1001, 44100, "3.6 seconds shorter"),
        (44100, 1, 44056, "3.6 seconds longer"),
        (48000, 1, 48000, "the file header says the same"),
    ],
)
def test_what_the_header_means_for_playing_time(num: int, den: int, header: int, said: str) -> None:
    signal = {"sampling_frequency": {"num": num, "den": den}, "header_sampling_frequency_hz": header}
    assert said in rate_words({"signal": signal})


def test_rates_and_outcomes_in_words() -> None:
    assert hertz(Fraction(44100)) == "44 100 Hz"
    assert hertz(Fraction(44100000, 1001)) == "44100/1.001 Hz (44 055.944 Hz)"
    assert hertz(Fraction(88201, 2)) == "88201/2 Hz (44 100.500 Hz)"
    assert rate_words({}) == "" and emphasis_words({"signal": None}) == ""
    assert outcome_words({"outcome": "failed", "outcome_note": "no\nlock"}) == "The transfer failed. no lock"
    assert one_line("a\x00\nb") == "a b"
