"""A package can be explained and checked with READ-ME-FIRST.txt alone, to the letter, with stock tools.

Judges: bash, coreutils, perl's shasum, ssh-keygen of OpenSSH, and Python's json for the claims about the
record. For packages of every past state of the format (tests/samples) and for one made now.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from support.followed import NAME, Block, Shell, blocks, follow
from support.jobs import make_job

from provpack.package.figures import moment_words

SAMPLES = Path(__file__).resolve().parents[1] / "samples"
OLD = sorted(path.stem for path in SAMPLES.glob("*.zip"))
SIGNER = "transfer-room@grauwell.example"


@pytest.fixture
def shell(tmp_path: Path, tool: Callable[[str], str]) -> Shell:
    return Shell(tmp_path / "bin", tool)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package made now, with sound, a listening copy and a signature; beside it the list of signers."""
    top = tmp_path_factory.mktemp("made")
    keygen = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", SIGNER, "-f", str(top / "key")]
    subprocess.run(keygen, check=True)
    job = make_job(top / "job", frames=44100, standard="525")
    command = [sys.executable, "-m", "provpack", "wrap", str(job), "--to", str(top / "out")]
    command += ["--derive", "deemphasis", "--sign", str(top / "key")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode in (0, 1), done.stdout + done.stderr
    kind, key, _ = (top / "key.pub").read_text().split()
    (top / "out" / "allowed_signers").write_text(f'{SIGNER} namespaces="provpack-package" {kind} {key}\n')
    (package,) = (path for path in (top / "out").iterdir() if (path / "bagit.txt").exists())
    return package


@pytest.fixture(params=[*OLD, "made now"])
def package(request: pytest.FixtureRequest, made: Path, tmp_path: Path) -> Path:
    """A copy of the package, alone in a folder with the list of signers."""
    alone = tmp_path / "shelf"
    if request.param == "made now":
        shutil.copytree(made, alone / made.name)
        shutil.copyfile(made.parent / "allowed_signers", alone / "allowed_signers")
        return alone / made.name
    with zipfile.ZipFile(SAMPLES / f"{request.param}.zip") as archive:
        archive.extractall(alone)
    shutil.copyfile(SAMPLES / "allowed_signers", alone / "allowed_signers")
    return alone / str(request.param)


def page(package: Path) -> str:
    return (package / NAME).read_text("utf-8")


def flat(text: str) -> str:
    return " ".join(text.split())


def record_of(package: Path) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((package / "data/metadata/record.json").read_bytes())
    return value


def test_every_command_succeeds_on_an_intact_package(package: Path, shell: Shell) -> None:
    done = follow(package, shell, signers="../allowed_signers")
    assert done.complaints == () and set(done.passed_over) == {"Windows"}
    first = [command.split()[0] for command in done.typed]
    sound, signed = (package / "data/master").is_dir(), (package / "tagmanifest-sha512.txt.sig").exists()
    expected = ["sha512sum", "shasum", "sha512sum", "wc", "find"]
    assert first == expected + ["tail", "tail"] * sound + ["ssh-keygen"] * 2 * signed


def test_every_damage_makes_a_command_fail(package: Path, shell: Shell) -> None:
    """A bit in each file; a file lost; a file more; one name changed."""
    text = page(package)

    def complaints() -> tuple[str, ...]:
        return follow(package, shell, signers="../allowed_signers", text=text).complaints

    for path in sorted(p for p in package.rglob("*") if p.is_file()):
        if path.name == "tagmanifest-sha256.txt":
            continue  # in no manifest, and no command reads it: sha512 is the one that the page uses
        whole = path.read_bytes()
        damaged = bytearray(whole)
        # in a list of digests a decimal digit becomes its neighbour: the list stays one
        place = next(n for n, byte in enumerate(whole) if chr(byte).isdigit() or n >= len(whole) // 2)
        damaged[place] ^= 1
        path.write_bytes(damaged)
        assert complaints(), path
        path.unlink()
        assert complaints(), path
        path.write_bytes(whole)
    (package / "data" / "more.txt").write_bytes(b"more")
    assert any("wc -l" in complaint for complaint in complaints())
    (package / "data" / "more.txt").unlink()
    assert complaints() == ()


def test_a_changed_label_leaves_the_sound_provably_intact(made: Path, tmp_path: Path, shell: Shell) -> None:
    package = tmp_path / made.name
    shutil.copytree(made, package)
    (master,) = (package / "data/master").iterdir()
    data = bytearray(master.read_bytes())
    data[-1] ^= 1
    master.write_bytes(data)
    shutil.copyfile(made.parent / "allowed_signers", tmp_path / "allowed_signers")
    wrong = follow(package, shell, signers="../allowed_signers").complaints
    assert wrong and not any(complaint.startswith("tail") for complaint in wrong)
    data[len(data) // 2] ^= 1
    master.write_bytes(data)
    wrong = follow(package, shell, signers="../allowed_signers").complaints
    assert any(complaint.startswith("tail") for complaint in wrong)


def test_somebody_elses_signature_is_not_good(made: Path, tmp_path: Path, shell: Shell) -> None:
    package = tmp_path / made.name
    shutil.copytree(made, package)
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(tmp_path / "k")], check=True)
    kind, key, *_ = (tmp_path / "k.pub").read_text().split()
    (tmp_path / "allowed_signers").write_text(f"{SIGNER} {kind} {key}\n")
    wrong = follow(package, shell, signers="../allowed_signers").complaints
    assert wrong and all("ssh-keygen" in complaint for complaint in wrong)


def test_what_it_says_is_in_the_folder_is_there_and_nothing_else(package: Path) -> None:
    section = page(package).partition("What is in this folder")[2].partition("\n\n")[0]
    points = re.split(r"\n- ", section.partition("\n")[2].partition("\n")[2])
    named = [name for point in points for name in point.removeprefix("- ").split("  ")[0].split(", ")]
    assert all((package / name).exists() for name in named) and len(named) == len(set(named))
    there = {path.name for path in package.iterdir() if path.is_file()} - {NAME}
    there |= {f"data/{path.name}/" for path in (package / "data").iterdir()}
    assert set(named) == there
    assert (package / "data/report/index.html").is_file()  # "open index.html in any web browser"
    assert (package / "data/metadata/record.json").is_file()


# how each state of the file's emphasis must be told (IEC 60908 and EIAJ speak of 50/15 us; the sentences
# are ours): what a listener has to know, and no other state's sentence
EMPHASIS = {
    "present": "sounds too bright until it is de-emphasised",
    "absent": "has no pre-emphasis",
    "removed": "already undone",
    "mixed": "changes within this file",
    "unknown": "Nobody knows whether",
}


def test_what_it_says_of_the_record_is_what_the_record_says(package: Path) -> None:
    text, record = flat(page(package)), record_of(package)
    for label, value in (
        ("Title", record["item"]["title"]), ("Item", record["item"]["client_item_id"]),
        ("Made for", record["people"]["client"]), ("Made by", record["people"]["transfer_organisation"]),
        ("Job", record["job_id"]), ("Record", record["record_id"]),
    ):  # fmt: skip
        assert f"{label}: {value} " in text
    at = record["made_by"]["at"]  # older packages say it as the record does
    assert any(f"Packed on: {said} " in text for said in (moment_words(at), at))
    assert f"Name the job ({record['job_id']}) and the record ({record['record_id']})" in text
    if record["measured"] is None:
        assert "It has no sound file." in text and "Before you listen" not in text
        assert not any(sentence in text for sentence in EMPHASIS.values())
        return
    signal = record["signal"]
    assert [state for state, sentence in EMPHASIS.items() if sentence in text] == [signal["file_emphasis"]]
    rate = Fraction(signal["sampling_frequency"]["num"], signal["sampling_frequency"]["den"])
    header = signal["header_sampling_frequency_hz"]
    assert f"{float(rate):,.3f}".replace(",", " ").removesuffix(".000") in text
    assert f"says {header:,} Hz".replace(",", " ") in text
    assert (rate == header) == ("A file header can hold whole numbers only" not in text)


def test_what_it_says_of_the_pieces_finds_each_of_them(package: Path) -> None:
    """The arithmetic of the page, done by hand on the file, against the numbers in block-digests.json."""
    if not (package / "data/master").is_dir():
        assert "block-digests.json" not in page(package)
        return
    text = flat(page(package))
    found = re.search(r"each piece of (\d+) bytes of sound \((\d+) sample frames\).*there are (\d+),", text)
    start = re.search(r"begins after byte (\d+) \+ N x (\d+)\.", text)
    whole = re.search(r"sound itself is (\d+) bytes long and begins after byte (\d+) of the file", text)
    assert found and start and whole
    step, frames, count, offset, size = (
        int(found[1]), int(found[2]), int(found[3]), int(start[1]), int(whole[1]),
    )  # fmt: skip
    assert int(start[2]) == step and int(whole[2]) == offset
    told = json.loads((package / "data/metadata/block-digests.json").read_bytes())["blocks"]
    (master,) = (package / "data/master").iterdir()
    sound = master.read_bytes()[offset : offset + size]
    pieces = [hashlib.sha256(sound[n * step : (n + 1) * step]).hexdigest() for n in range(count)]
    assert pieces == told and (count - 1) * step < size <= count * step
    measured = record_of(package)["measured"]
    assert size == measured["frames"] * (step // frames)


def test_the_page_is_read_as_people_read_it() -> None:
    """The reader of these tests on a page of its own: no command slips through, no answer is typed."""
    text = (
        "Title:                A very long title\n                      and its second line\n\n"
        "Head\n----\nLinux:\n\n    one\n\nWindows, in PowerShell:\n\n    two {\n      three\n    }\n\n"
        "It must print:\n\n    abc\n"
    )
    page_of = [block for block in blocks(text) if block.heading == "Head"]
    assert page_of[0] == Block(heading="Head", before="Linux:", lines=("one",))
    assert page_of[1].windows and page_of[1].lines == ("two {", "  three", "}")
    assert page_of[2].is_answer and not page_of[0].is_answer
