"""Which package is it? Ledgers, signatures, agreement; two packages offered; bags of strangers; places."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import seal
from support.copies import (
    IDENTITY,
    MASTER,
    NAME,
    OTHER_ROOT,
    Ledger,
    copied,
    hurt,
    make_package,
    ports,
    run_heal,
    tree,
)

from provpack.edge.ledger import LEDGER_NAME, append
from provpack.edge.schemas import validate
from provpack.errors import CouldNotCheck, DestinationProblem, InputProblem, UsageProblem
from provpack.jobs.heal import heal
from provpack.jobs.healed import losses
from provpack.jobs.progress import Silent
from provpack.package.ledgerline import WRAPPED, ledger_line

AT = "2031-05-04T10:00:00+02:00"


@pytest.fixture
def original(tmp_path: Path) -> Path:
    return make_package(tmp_path / "original" / NAME, blocks=6)


@pytest.fixture
def copies(original: Path, tmp_path: Path) -> list[Path]:
    return list(copied(original, tmp_path, 2))


def identity(package: Path) -> str:
    return hashlib.sha512((package / IDENTITY).read_bytes()).hexdigest()


def write_ledger(folder: Path, package: Path) -> Path:
    line = ledger_line(
        WRAPPED, at=AT, tool_version="0.1.0", package=NAME, tagmanifest_sha512=identity(package)
    )
    append(folder / LEDGER_NAME, line)
    return folder / LEDGER_NAME


def resealed(original: Path, target: Path) -> Path:
    """A copy in which somebody changed a document and sealed it anew: a valid bag, another package."""
    shutil.copytree(original, target)
    (target / "data/documents/log.txt").write_bytes(b"Nothing to see here.\n")
    seal(target)
    return target


def test_two_packages_are_refused_with_both_identities(
    original: Path, copies: list[Path], tmp_path: Path
) -> None:
    other = resealed(original, tmp_path / "other" / NAME)
    hurt(copies[0] / "data/report/index.html")
    with pytest.raises(InputProblem) as refused:
        run_heal([copies[0], other], tmp_path / "out")
    assert refused.value.code == "two-packages" and refused.value.exit_code == 12
    assert identity(original) in refused.value.what and identity(other) in refused.value.what
    assert not (tmp_path / "out").exists()


def test_two_packages_are_refused_also_when_one_is_not_whole(
    original: Path, copies: list[Path], tmp_path: Path
) -> None:
    other = resealed(original, tmp_path / "other" / NAME)
    (copies[0] / "bag-info.txt").write_bytes(b"")  # what it held is not in the other one either
    with pytest.raises(InputProblem, match="two different packages"):
        run_heal([copies[0], other], tmp_path / "out")


def test_a_ledger_decides_between_two(original: Path, copies: list[Path], tmp_path: Path) -> None:
    other = resealed(original, tmp_path / "other" / NAME)
    hurt(copies[0] / "data/report/index.html")
    ledger = write_ledger(tmp_path / "original", original)
    result = run_heal([copies[0], other], tmp_path / "out", ledger=ledger)
    assert result.outcome == "healed" and result.identity == identity(original)
    assert result.as_json()["evidence"] == "ledger"
    assert tree(tmp_path / "out" / NAME) == tree(original)
    write_ledger(tmp_path / "copy-1", original)
    beside = run_heal([copies[0], other], tmp_path / "out2")
    assert beside.as_json()["evidence"] == "ledger", "the ledger beside a copy is found"


def test_copies_that_the_ledger_does_not_know_are_refused(original: Path, tmp_path: Path) -> None:
    other = resealed(original, tmp_path / "other" / NAME)
    (two,) = copied(other, tmp_path / "more", 1)
    hurt(two / "data/report/index.html")
    with pytest.raises(InputProblem, match="ledger knows this name"):
        run_heal([other, two], tmp_path / "out", ledger=write_ledger(tmp_path, original))


def test_a_broken_ledger_is_no_witness(original: Path, copies: list[Path], tmp_path: Path) -> None:
    ledger = write_ledger(tmp_path / "copy-1", original)
    write_ledger(tmp_path / "copy-1", original)
    ledger.write_bytes(ledger.read_bytes().replace(b"0.1.0", b"0.1.1", 1))
    hurt(copies[0] / "data/report/index.html")
    hurt(copies[1] / "data/documents/log.txt")
    result = run_heal(copies, tmp_path / "out")
    assert "heal-ledger-broken" in {f.rule for f in result.findings}
    assert result.outcome == "healed" and result.as_json()["evidence"] == "self_consistency"
    with pytest.raises(InputProblem, match="no witness"):
        run_heal(copies, tmp_path / "out2", ledger=ledger)


@pytest.mark.parametrize("known", [True, False])
def test_a_tag_manifest_that_is_nowhere_needs_a_ledger(
    known: bool, original: Path, copies: list[Path], tmp_path: Path
) -> None:
    for copy in copies:
        (copy / IDENTITY).unlink()
        (copy / OTHER_ROOT).write_bytes(b"")
        hurt(copy / "manifest-sha512.txt", 600)
    shutil.copy(original / OTHER_ROOT, copies[1] / OTHER_ROOT)
    ledger = write_ledger(tmp_path, original) if known else None
    result = run_heal(copies, tmp_path / "out", ledger=ledger)
    if known:
        assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)
        record = json.loads((tmp_path / "out" / f"{NAME}.healing.json").read_bytes())
        assert record["written_anew"] == ["manifest-sha512.txt", IDENTITY]
    else:
        assert result.outcome == "lost" and result.exit_code == 10 and result.assessment is not None
        assert IDENTITY in {one["path"] for one in losses(result.assessment)}


def test_the_form_of_a_tag_manifest_counts(original: Path, copies: list[Path], tmp_path: Path) -> None:
    """A letter's case is no matter to any digest, and a bit flipped in it would go unseen."""
    text = (copies[0] / IDENTITY).read_bytes()
    at = next(i for i, b in enumerate(text) if 97 <= b <= 102)
    (copies[0] / IDENTITY).write_bytes(text[:at] + bytes([text[at] ^ 0x20]) + text[at + 1 :])
    (copies[1] / IDENTITY).unlink()
    result = run_heal(copies, tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)


def test_a_tag_manifest_cut_at_a_line_is_not_taken_for_a_smaller_package(
    original: Path, copies: list[Path], tmp_path: Path
) -> None:
    for copy in copies:
        text = (copy / IDENTITY).read_bytes().splitlines(keepends=True)
        (copy / IDENTITY).write_bytes(b"".join(text[1:]))
        (copy / "READ-ME-FIRST.txt").unlink()
    result = run_heal(copies, tmp_path / "out")
    assert result.outcome == "lost" and not (tmp_path / "out").exists()


def test_a_whole_copy_needs_no_healing(copies: list[Path], tmp_path: Path) -> None:
    hurt(copies[0] / MASTER, 600)
    result = run_heal(copies, tmp_path / "out")
    assert (result.outcome, result.exit_code) == ("nothing_to_heal", 0)
    assert result.assessment is not None and result.assessment.whole is not None
    assert result.assessment.whole.number == 2 and not (tmp_path / "out").exists()


def test_more_than_the_manifests_list_is_told_and_not_carried(
    original: Path, copies: list[Path], tmp_path: Path
) -> None:
    for copy in copies:
        (copy / "data/Thumbs.db").write_bytes(b"x")
    result = run_heal(copies, tmp_path / "out")
    assert result.outcome == "healed" and result.exit_code == 1
    assert [f.rule for f in result.findings] == ["heal-not-carried"] * 2
    assert tree(tmp_path / "out" / NAME) == tree(original)


def test_places_that_are_refused(copies: list[Path], tmp_path: Path) -> None:
    for given in ([copies[0]], [copies[0], copies[0]], [copies[0], copies[0] / ".." / NAME]):
        with pytest.raises(UsageProblem):
            run_heal(given, tmp_path / "out")
    hurt(copies[0] / MASTER, 600)
    hurt(copies[1] / MASTER, 1600)
    for inside in (copies[0], copies[1] / "data", copies[1] / "new"):
        with pytest.raises(DestinationProblem, match="nothing is ever written"):
            run_heal(copies, inside)
    (tmp_path / "link").symlink_to(copies[0])
    with pytest.raises(DestinationProblem, match="nothing is ever written"):
        run_heal(copies, tmp_path / "link" / "x")
    with pytest.raises(DestinationProblem, match="already something"):
        run_heal(copies, tmp_path / "copy-1")
    with pytest.raises(InputProblem):
        run_heal([copies[0], tmp_path / "nowhere"], tmp_path / "out")
    with pytest.raises(InputProblem, match="2 packages"):
        (tmp_path / "both").mkdir()
        for name in "ab":
            shutil.copytree(copies[0], tmp_path / "both" / name)
        run_heal([copies[0], tmp_path / "both"], tmp_path / "out")


def test_a_damaged_name_in_a_manifest_is_not_believed(
    original: Path, copies: list[Path], tmp_path: Path
) -> None:
    """No copy has a whole payload manifest; what is right in either makes one, proven by the tag manifest."""
    for copy, line in zip(copies, (b"log.txt", b"index.html"), strict=True):
        (copy / "manifest-sha256.txt").write_bytes(b"")
        text = (copy / "manifest-sha512.txt").read_bytes()
        (copy / "manifest-sha512.txt").write_bytes(text.replace(line, line.replace(b"t", b"u", 1), 1))
    hurt(copies[0] / MASTER, 600)
    result = run_heal(copies, tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)


def test_bytes_put_in_move_the_rest_by_more_than_is_tried(
    original: Path, copies: list[Path], tmp_path: Path
) -> None:
    """5001 bytes more in one place and 10 less at the end: only the other copy tells by how much it moved."""
    data = (copies[0] / MASTER).read_bytes()
    (copies[0] / MASTER).write_bytes(data[:460] + random.Random(3).randbytes(5001) + data[460:-10])
    hurt(copies[1] / MASTER, 44 + 3 * 400 + 7)
    result = run_heal(copies, tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)


# --- other kinds of packages and places ---


@pytest.mark.parametrize("form", ["tar", "zip"])
def test_copies_in_archives(form: str, original: Path, copies: list[Path], tmp_path: Path) -> None:
    hurt(copies[0] / MASTER, 600)
    hurt(copies[1] / MASTER, 1600)
    archive = Path(shutil.make_archive(str(tmp_path / NAME), form, tmp_path / "copy-1", NAME))
    result = run_heal([archive, copies[1]], tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)


def foreign(root: Path, algorithms: tuple[str, ...], tagged: bool) -> Path:
    for name, size in (("data/a.bin", 900), ("data/b/c.bin", 5000), ("data/b/d.txt", 70)):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(random.Random(size).randbytes(size))
    seal(root, algorithms)
    for path in root.glob("tagmanifest-*") if not tagged else ():
        path.unlink()
    return root


@pytest.mark.parametrize("tagged", [True, False])
@pytest.mark.parametrize("algorithms", [("md5",), ("sha1", "sha512"), ("sha384",), ("sha3_256",)])
def test_bags_of_others_are_healed_by_whole_files(
    algorithms: tuple[str, ...], tagged: bool, tmp_path: Path
) -> None:
    original = foreign(tmp_path / "o" / "bag", algorithms, tagged)
    copies = list(copied(original, tmp_path, 2))
    hurt(copies[0] / "data/a.bin")
    (copies[1] / "data/b/c.bin").unlink()
    hurt(copies[1] / f"manifest-{algorithms[0]}.txt", 3)
    result = run_heal(copies, tmp_path / "out")
    assert result.outcome == "healed", result.as_json()["lost"]
    assert tree(tmp_path / "out" / "bag") == tree(original)
    told = {f.rule for f in result.findings}
    assert ("heal-unproven" in told) is not tagged
    assert validate("healing-record", json.loads((tmp_path / "out" / "bag.healing.json").read_bytes())) == []
    hurt(copies[1] / "data/a.bin")
    lost = run_heal(copies, tmp_path / "out2")
    assert lost.outcome == "lost" and [one["path"] for one in lost.as_json()["lost"]] == ["data/a.bin"]


def test_a_package_without_audio(tmp_path: Path) -> None:
    original = make_package(tmp_path / "o" / NAME, blocks=2)
    (original / MASTER).unlink()
    (original / "data/metadata/block-digests.json").unlink()
    seal(original)
    copies = list(copied(original, tmp_path, 2))
    hurt(copies[0] / "READ-ME-FIRST.txt")
    hurt(copies[1] / "data/metadata/record.json")
    assert run_heal(copies, tmp_path / "out").outcome == "healed"
    assert tree(tmp_path / "out" / NAME) == tree(original)


@pytest.fixture
def failing_reads(monkeypatch: pytest.MonkeyPatch) -> Iterator[set[tuple[str, int]]]:
    """(end of a path, offset): reading over that byte of such a file fails, as over a bad sector."""
    from provpack.edge import place, reading
    from provpack.edge import tree as tree_of_files

    bad: set[tuple[str, int]] = set()

    class Source(reading.FileSource):
        def __init__(self, file: Any, name: str) -> None:
            super().__init__(file)
            self.name = name
            self.stream = self  # type: ignore[assignment]
            self.at = 0

        def readinto(self, view: memoryview) -> int:
            data = self.read_at(self.at, len(view))
            view[: len(data)] = data
            self.at += len(data)
            return len(data)

        def read(self, count: int = -1) -> bytes:
            data = self.read_at(self.at, self.size if count < 0 else count)
            self.at += len(data)
            return data

        def fileno(self) -> int:
            return self._fd

        def read_at(self, offset: int, length: int) -> bytes:
            if any(self.name.endswith(end) and offset <= at < offset + length for end, at in bad):
                raise OSError(5, "Input/output error")
            return super().read_at(offset, length)

    real = tree_of_files.open_regular

    class Opened:
        def __init__(self, root: Path, path: str) -> None:
            self.file, self.name = real(root, path), f"{root}/{path}"

        def __enter__(self) -> Any:
            return self

        def __exit__(self, *raised: object) -> None:
            self.file.close()

    monkeypatch.setattr(place, "open_regular", Opened)
    monkeypatch.setattr(place, "FileSource", lambda opened: Source(opened.file, opened.name))
    yield bad


def test_sectors_that_cannot_be_read_are_damage(
    original: Path, copies: list[Path], tmp_path: Path, failing_reads: set[tuple[str, int]]
) -> None:
    failing_reads |= {(f"copy-1/{NAME}/{MASTER}", 44 + 450), (f"copy-2/{NAME}/{MASTER}", 44 + 1300)}
    failing_reads.add((f"copy-1/{NAME}/bag-info.txt", 3))
    result = run_heal(copies, tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)
    failing_reads.add((f"copy-2/{NAME}/{MASTER}", 44 + 500))
    lost = run_heal(copies, tmp_path / "out2").as_json()
    (one,) = lost["lost"]
    assert lost["outcome"] == "could_not_check", "what cannot be read now may be whole"
    (span,) = one["master"]["ranges"]
    assert (span["first_block"], span["last_block"], span["first_frame"], span["last_frame"]) == (
        1,
        1,
        100,
        199,
    )
    assert [c["what"] for c in span["copies"]] == ["cannot be read"] * 2 and one["bytes_needed"] == 400


def test_a_copy_that_changes_meanwhile_is_noticed(original: Path, copies: list[Path], tmp_path: Path) -> None:
    """Between the look at the copies and the writing: nothing is built of bytes that were not proven."""
    hurt(copies[0] / MASTER, 600)
    hurt(copies[1] / MASTER, 1600)

    class Meddler(Silent):
        def begin(self, label: str, total: int) -> None:
            if label.startswith("writing"):
                hurt(copies[0] / "data/documents/log.txt")

    world = replace(ports(None, Ledger()), progress=Meddler())
    with pytest.raises(CouldNotCheck, match="was read twice and was not the same"):
        heal(copies, tmp_path / "out", world)
    assert list((tmp_path / "out").iterdir()) == []
