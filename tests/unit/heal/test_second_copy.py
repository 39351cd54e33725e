"""`verify --second-copy`: what the second copy has, whether both can heal it, the command to type; signatures
carried over by healing."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest
from support.bagmaking import now
from support.copies import MASTER, NAME, copied, hurt, make_package, run_heal, tree
from support.signing import key_of_seed

from provpack.edge.sshkeys import load_signers
from provpack.jobs.progress import Silent
from provpack.jobs.secondcopy import SecondCopy, compare, findings_of, lines_of
from provpack.jobs.verify import verify_paths
from provpack.package.sshsig import NAMESPACE_PACKAGE

SIGNATURE = "tagmanifest-sha512.txt.sig"


@pytest.fixture
def original(tmp_path: Path) -> Path:
    return make_package(tmp_path / "original" / NAME, blocks=6)


def looked(path: Path, second: Path) -> tuple[dict[str, SecondCopy], list[str]]:
    result = verify_paths([path], "bytes", progress=Silent(), clock=now)
    copies = compare(result, second, progress=Silent())
    return copies, lines_of(copies, result.units)


def test_each_state(original: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "copy-1", tmp_path / "copy-2"
    here, there = copied(original, tmp_path, 2)
    copies, lines = looked(first, second)
    assert [(c.state, c.healable) for c in copies.values()] == [("same", "not_needed")]
    assert lines == ["1 second copies have the same tag manifest; their files were not read."]

    hurt(here / MASTER, 44 + 10)
    (one,) = looked(first, second)[0].values()
    assert (one.state, one.healable, one.command) == ("whole", "yes", None)
    assert one.good_there == (MASTER,)

    hurt(there / MASTER, 44 + 900)
    before = tree(first) | tree(second)
    (one,) = looked(first, second)[0].values()
    assert (one.state, one.healable) == ("damaged", "yes") and one.good_there == ()
    assert [(r.first_block, r.last_block) for r in one.blocks_there] == [(0, 0)]
    assert tree(first) | tree(second) == before, "nothing is written"
    assert one.command is not None
    program, command, a, b, to, where = shlex.split(one.command)
    assert (program, command, to, where) == ("provpack", "heal", "--to", "healed")
    assert run_heal([Path(a), Path(b)], tmp_path / "out").outcome == "healed", "the command is the right one"

    hurt(there / MASTER, 44 + 20)
    (one,) = looked(first, second)[0].values()
    assert (one.state, one.healable) == ("damaged", "no")
    assert [x["path"] for x in one.lost] == [MASTER]


def test_the_second_copy_is_missing_or_another(original: Path, tmp_path: Path) -> None:
    copied_here, there = copied(original, tmp_path, 2)
    shutil.rmtree(there)
    copies, _ = looked(copied_here, tmp_path / "copy-2")
    assert [c.state for c in copies.values()] == ["missing"]
    assert [f.rule for f in findings_of(copies)] == ["second-copy-none-there"]
    (found,) = findings_of(copies)
    assert found.severity == "warning"
    make_package(there, blocks=7, seed=9)
    copies, _ = looked(copied_here, tmp_path / "copy-2")
    assert [c.state for c in copies.values()] == ["differs"]
    assert [f.rule for f in findings_of(copies)] == ["second-copy-differs"]
    hurt(copied_here / MASTER, 60)
    (one,) = looked(copied_here, tmp_path / "copy-2")[0].values()
    assert (one.state, one.healable) == ("unreadable", "not_known")
    assert "two different packages" in one.findings[0].what


def test_it_is_found_under_another_name_and_never_is_the_same_folder(original: Path, tmp_path: Path) -> None:
    here, there = copied(original, tmp_path, 2)
    there.rename(tmp_path / "copy-2" / "renamed")
    copies, _ = looked(here, tmp_path / "copy-2")
    assert [c.state for c in copies.values()] == ["same"]
    copies, _ = looked(here, here.parent)
    assert [c.state for c in copies.values()] == ["missing"], "a package is no second copy of itself"
    (one,), (found,) = copies.values(), findings_of(copies)
    assert "this very package" in one.sentence() and "this very package" in found.what


# --- several second copies ---


@pytest.fixture
def years(original: Path, tmp_path: Path) -> tuple[Path, Path, Path]:
    """A damaged package, and two second copies of it in one archive."""
    here, old, new = copied(original, tmp_path, 3)
    hurt(here / MASTER, 44 + 10)
    hurt(old / MASTER, 44 + 20)
    for year, copy in (("2019", old), ("2021", new)):
        (tmp_path / "archive" / year).mkdir(parents=True)
        copy.rename(tmp_path / "archive" / year / NAME)
    return here, tmp_path / "archive/2019" / NAME, tmp_path / "archive/2021" / NAME


def test_every_second_copy_is_looked_at(years: tuple[Path, Path, Path], tmp_path: Path) -> None:
    here, _, new = years
    archive = tmp_path / "archive"
    (one,) = looked(here, archive)[0].values()
    assert (one.state, one.path) == ("whole", str(new)), "the first one is damaged in the same block"
    hurt(new / MASTER, 44 + 900)
    (one,) = looked(here, archive)[0].values()
    assert (one.healable, one.path) == ("yes", str(new)) and str(new) in shlex.split(one.command or "")
    # A renamed one is found by its identity, also where others bear the name.
    new.rename(archive / "2021" / "renamed")
    (one,) = looked(here, archive)[0].values()
    assert (one.healable, one.path) == ("yes", str(archive / "2021" / "renamed"))


def test_what_no_two_can_heal_three_can(years: tuple[Path, Path, Path], tmp_path: Path) -> None:
    here, old, new = years  # block 0 is damaged here and in the old one
    for copy in (here, new):
        hurt(copy / MASTER, 44 + 400)
    (one,) = looked(here, tmp_path / "archive")[0].values()
    assert (one.healable, one.copies) == ("yes", 2) and one.command is not None
    places = [Path(word) for word in shlex.split(one.command)[2:-2]]
    assert places == [here, old, new]
    assert [(r.first_block, r.last_block) for r in one.blocks_there] == [(0, 1)]
    assert run_heal(places, tmp_path / "out").outcome == "healed"
    for copy in years:
        hurt(copy / MASTER, 44 + 3 * 400)
    (one,) = looked(here, tmp_path / "archive")[0].values()
    assert (one.healable, one.copies) == ("no", 2) and "damaged in all 3 copies" in one.sentence()


def test_a_good_package_needs_one_good_second_copy(original: Path, tmp_path: Path) -> None:
    here, old, new = copied(original, tmp_path, 3)
    (old / "tagmanifest-sha512.txt").write_bytes(b"")
    (tmp_path / "archive").mkdir()
    old.parent.rename(tmp_path / "archive/2019")
    new.parent.rename(tmp_path / "archive/2021")
    (one,) = looked(here, tmp_path / "archive")[0].values()
    assert (one.state, one.path) == ("same", str(tmp_path / "archive/2021" / NAME))


# --- the command ---

BAD_PLACES = (
    b"with blank and 'quote'",
    b"line\nbreak",
    b"caf\xe9",
    "Größe".encode(),
    b"-x",
    b"a\\b",
    b"\x1b[1m9",
)


@pytest.mark.parametrize("name", BAD_PLACES)
def test_the_command_can_be_typed_whatever_the_place_is_called(
    name: bytes, original: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The judge is a shell: it must hand over the very bytes of the names."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("there is no bash here")
    here, there = copied(original, tmp_path, 2)
    hurt(here / MASTER, 44 + 10)
    hurt(there / MASTER, 44 + 900)
    place = Path(os.fsdecode(name))
    monkeypatch.chdir(tmp_path)
    place.mkdir()
    there.rename(place / NAME)
    (one,) = looked(here, place)[0].values()
    assert one.command is not None and one.command.isascii() and one.command.isprintable()
    script = 'provpack() { printf "%s\\0" "$@"; }; ' + one.command
    said = subprocess.run([bash, "-c", script], capture_output=True, check=True, timeout=20).stdout
    verb, first, second, option, to, _ = said.split(b"\0")
    assert (verb, option, to) == (b"heal", b"--to", b"healed") and first == os.fsencode(here)
    assert not second.startswith(b"-") and Path(os.fsdecode(second)).samefile(place / NAME)


def test_a_command_stands_whole_on_a_line_of_its_own(original: Path, tmp_path: Path) -> None:
    from provpack.report.text_verify import _plain

    here, there = copied(original, tmp_path, 2)
    hurt(here / MASTER, 44 + 10)
    hurt(there / MASTER, 44 + 900)
    digest = "ab" * 32  # digests are cut short in a mail, and this one is the name of a folder
    there.parent.rename(tmp_path / digest)
    copies, lines = looked(here, tmp_path / digest)
    (one,) = copies.values()
    assert lines[1:] == [f"  {one.command}"]
    mail = [short for line in lines for short in _plain(f"  {line}")]
    assert f"    {one.command}" in mail and len(mail[mail.index(f"    {one.command}")]) > 100


# --- signatures ---


def sign(package: Path, seed: int) -> bytes:
    message = (package / "tagmanifest-sha512.txt").read_bytes()
    return key_of_seed(seed).sign(message, NAMESPACE_PACKAGE)


@pytest.fixture
def signed(original: Path, tmp_path: Path) -> list[Path]:
    """Two copies of a signed package, both damaged."""
    (original / SIGNATURE).write_bytes(sign(original, 1))
    copies = list(copied(original, tmp_path, 2))
    hurt(copies[0] / "data/documents/log.txt", 3)
    hurt(copies[1] / "data/report/index.html", 3)
    return copies


def test_the_signature_that_fits_is_carried_over(original: Path, signed: list[Path], tmp_path: Path) -> None:
    hurt(signed[0] / SIGNATURE, 150)
    result = run_heal(signed, tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)
    assert result.as_json()["signature"] == "unvouched"


def test_signatures_that_differ_and_do_not_fit_are_left_out(signed: list[Path], tmp_path: Path) -> None:
    for n, copy in enumerate(signed):
        (copy / SIGNATURE).write_bytes(f"no signature {n}".encode())
    result = run_heal(signed, tmp_path / "out")
    assert result.outcome == "healed" and result.exit_code == 1
    assert "heal-signature-left-out" in {f.rule for f in result.findings}
    assert not (tmp_path / "out" / NAME / SIGNATURE).exists()


def test_one_that_is_wrong_everywhere_is_carried_and_told(signed: list[Path], tmp_path: Path) -> None:
    for copy in signed:
        (copy / SIGNATURE).write_bytes(b"no signature")
    result = run_heal(signed, tmp_path / "out")
    assert "heal-signature-wrong" in {f.rule for f in result.findings}
    assert (tmp_path / "out" / NAME / SIGNATURE).read_bytes() == b"no signature"


def test_a_trusted_signature_decides_between_two(original: Path, signed: list[Path], tmp_path: Path) -> None:
    from support.bagmaking import seal

    other = tmp_path / "other" / NAME
    shutil.copytree(original, other)
    (other / "data/documents/log.txt").write_bytes(b"Nothing to see here.\n")
    seal(other)
    (other / SIGNATURE).write_bytes(sign(other, 2))
    listed = tmp_path / "signers"
    listed.write_text(f"studio@grauwell.example {key_of_seed(1).public_line()}\n")
    result = run_heal([signed[1], other], tmp_path / "out", signers=load_signers(listed))
    assert result.as_json()["evidence"] == "signature" and result.as_json()["signature"] == "valid"
    assert tree(tmp_path / "out" / NAME) == tree(original)
