"""`verify --second-copy`: a package that is gone here is looked for there, by what the ledger knows it as."""

from __future__ import annotations

import hashlib
import shlex
import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest
from cli.commandline import fits, no_traceback, run
from support.bagmaking import seal
from support.copies import IDENTITY, MASTER, NAME, hurt, make_package, run_heal, tree

from provpack.edge.ledger import LEDGER_NAME, append
from provpack.package.ledgerline import WRAPPED, ledger_line


@pytest.fixture
def here(tmp_path: Path) -> Path:
    """A folder with a blank in its name; its ledger knows a package that is gone, and one that is not."""
    folder = tmp_path / "the shelf"
    for name, seed in ((NAME, 1), ("other", 2)):
        package = make_package(folder / name, blocks=6, seed=seed)
        digest = hashlib.sha512((package / IDENTITY).read_bytes()).hexdigest()
        line = ledger_line(
            WRAPPED,
            at="2031-05-04T10:00:00+02:00",
            tool_version="0.1.0",
            package=name,
            tagmanifest_sha512=digest,
        )
        append(folder / LEDGER_NAME, line)
    return folder


@pytest.fixture
def vault(here: Path, tmp_path: Path) -> Path:
    """Second copies of both, the one that is gone here under another name."""
    vault = tmp_path / "vault"
    vault.mkdir()
    shutil.move(here / NAME, vault / "it's older")
    shutil.copytree(here / "other", vault / "other")
    return vault


def looked(*words: object) -> tuple[str, dict[str, str | None]]:
    """What people are told; state -> command of what is gone, as programs are told."""
    said = run("verify", *words, "--no-ledger")
    no_traceback(said.out + said.err)
    assert said.code in (1, 10), said.out
    value = run("verify", *words, "--no-ledger", "--json").json()
    fits("verify", value)
    told = {one["state"]: one["command"] for one in value["gone"]}
    findings = [f["rule"] for f in value["findings"] if f["rule"].startswith("second-copy-of-gone")]
    assert findings == [f"second-copy-of-gone-{state}" for state in told]
    return said.out, told


def typed_in(out: str, begins: str) -> str:
    (line,) = [one.strip() for one in out.splitlines() if one.strip().startswith(begins)]
    return line


@pytest.mark.parametrize("named", [False, True])
def test_what_is_gone_is_found_whole_and_brought_back(named: bool, here: Path, vault: Path) -> None:
    sealed = tree(vault / "it's older")
    out, told = looked(*([here / NAME] if named else [here]), "--second-copy", vault)
    assert list(told) == ["whole"]
    assert f"{NAME} is gone here; a second copy of it is whole. It lies at {vault}/it's older" in out
    command = typed_in(out, "cp -a ")
    assert command == told["whole"] and command.isascii()
    bring, check = command.split(" && ")
    assert shlex.split(check) == ["provpack", "verify", str(here / NAME)]
    subprocess.run(bring, shell=True, check=True)
    assert tree(here / NAME) == sealed
    assert run("verify", here, "--second-copy", vault).code == 0


def test_what_is_gone_lies_there_in_an_archive(here: Path, vault: Path) -> None:
    shutil.move(vault / "it's older", vault / NAME)
    sealed = tree(vault / NAME)
    with tarfile.open(vault / "k.tar", "w", format=tarfile.PAX_FORMAT) as made:
        made.add(vault / NAME, NAME)
    shutil.rmtree(vault / NAME)
    out, told = looked(here, "--second-copy", vault)
    assert list(told) == ["whole"]
    subprocess.run(typed_in(out, "tar -xf ").split(" && ")[0], shell=True, check=True)
    assert tree(here / NAME) == sealed


def test_damaged_second_copies_heal_each_other(here: Path, vault: Path, tmp_path: Path) -> None:
    sealed = tree(vault / "it's older")
    hurt(vault / "it's older" / MASTER, 60)
    out, told = looked(here, "--second-copy", vault)
    assert list(told) == ["damaged"] and "cp -a" not in out
    shutil.copytree(vault / "it's older", vault / "again")
    (vault / "again" / MASTER).write_bytes(sealed[MASTER])
    hurt(vault / "again" / MASTER, 44 + 900)
    out, told = looked(here, "--second-copy", vault)
    assert list(told) == ["damaged"]
    words = shlex.split(typed_in(out, "provpack heal "))
    assert run_heal([Path(w) for w in words[2:4]], tmp_path / "out").outcome == "healed"
    assert tree(tmp_path / "out" / NAME) == sealed


def test_another_of_its_name_and_nothing_at_all(here: Path, vault: Path) -> None:
    shutil.move(vault / "it's older", vault / NAME)
    (vault / NAME / "data/documents/log.txt").write_bytes(b"Nothing to see here.\n")
    seal(vault / NAME)
    out, told = looked(here, "--second-copy", vault)
    assert list(told) == ["differs"] and "cp -a" not in out
    shutil.rmtree(vault / NAME)
    out, told = looked(here, "--second-copy", vault)
    assert list(told) == ["missing"] and "it is not among the second copies" in out


def test_a_broken_ledger_is_no_certain_word(here: Path, vault: Path) -> None:
    ledger = here / LEDGER_NAME
    ledger.write_bytes(ledger.read_bytes().replace(b"0.1.0", b"0.1.1", 1))
    out, told = looked(here, "--second-copy", vault)
    assert list(told) == ["whole"] and "as a broken ledger knows it" in out


def test_no_command_into_a_folder_that_is_gone_too(here: Path, vault: Path, tmp_path: Path) -> None:
    """It may be the place of a disk that is not mounted: nothing is to be copied beneath it."""
    line = ledger_line(
        "fixity_checked", at="2031-05-05T10:00:00+02:00", tool_version="0.1.0", package=NAME, outcome="good",
        depth="bytes", place=str(tmp_path / "mount" / NAME),
        tagmanifest_sha512=hashlib.sha512((vault / "it's older" / IDENTITY).read_bytes()).hexdigest(),
    )  # fmt: skip
    append(tmp_path / "kept.jsonl", line)
    out, told = looked(tmp_path / "mount", "--ledger", tmp_path / "kept.jsonl", "--second-copy", vault)
    assert list(told) == ["whole"] and "cp -a" not in out and "It lies at" in out
