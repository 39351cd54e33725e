"""Names in sheets never lead to a link, a pipe, or out of the job folder."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

import pytest

from provpack.edge.jobfolder import list_folder, read_all, resolve, resolve_equipment
from provpack.errors import InputProblem


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "job"
    (root / "scans").mkdir(parents=True)
    (root / "scans" / "a.jpg").write_bytes(b"a")
    (root / "t1.wav").write_bytes(b"b")
    (root / ".hidden.wav").write_bytes(b"c")
    (tmp_path / "outside.txt").write_bytes(b"secret")
    (root / "link.txt").symlink_to(tmp_path / "outside.txt")
    (root / "up").symlink_to(tmp_path)
    os.mkfifo(root / "pipe")
    (root / "packed").mkdir()
    (root / "packed" / "bagit.txt").write_bytes(b"")
    (root / "packed" / "inner.wav").write_bytes(b"d")
    return root


def test_listing(folder: Path) -> None:
    listing = list_folder(folder)
    assert list(listing.files) == ["scans/a.jpg", "t1.wav"]
    told = [(f.rule, f.where) for f in listing.findings]
    expected = [("job-folder-link", "link.txt"), ("job-folder-special", "pipe"), ("job-folder-link", "up")]
    assert told == expected


@pytest.mark.parametrize(
    ("written", "rule"),
    [
        ("../outside.txt", "job-path-outside"),
        ("scans/../../outside.txt", "job-path-outside"),
        ("/etc/hostname", "job-path-outside"),
        ("C:t1.wav", "job-path-outside"),
        ("~/t1.wav", "job-path-form"),
        ("scans\\a.jpg", "job-path-form"),
        ("a\nb", "job-path-form"),
        ("a\0b", "job-path-form"),
        ("", "job-path-form"),
        ("x" * 5000, "job-path-form"),
        ("file:///t1.wav", "job-path-form"),
        ("link.txt", "job-link"),
        ("up/outside.txt", "job-link"),
        ("pipe", "job-not-a-file"),
        ("scans", "job-not-a-file"),
        (".", "job-not-a-file"),
        (".hidden.wav", "job-path-form"),
        ("packed/inner.wav", "job-path-form"),
        ("t1.wav/x", "job-file-missing"),
        ("T1.WAV", "job-file-missing"),
        ("none.wav", "job-file-missing"),
    ],
)
def test_refused_names(folder: Path, written: str, rule: str) -> None:
    found = resolve(list_folder(folder), written, where="here")
    assert (found.path, [f.rule for f in found.findings]) == (None, [rule])


def test_good_names(folder: Path) -> None:
    listing = list_folder(folder)
    assert resolve(listing, "./scans//a.jpg", where="").path == folder.resolve() / "scans" / "a.jpg"
    assert "t1.wav" in resolve(listing, "T1.WAV", where="").findings[0].todo


def test_accents_may_be_composed_differently(folder: Path) -> None:
    (folder / unicodedata.normalize("NFD", "été.wav")).write_bytes(b"e")
    found = resolve(list_folder(folder), unicodedata.normalize("NFC", "été.wav"), where="")
    assert found.path is not None and found.path.read_bytes() == b"e"


def test_only_the_register_may_stand_outside(folder: Path) -> None:
    found = resolve_equipment(folder, "../outside.txt", where="job.toml")
    assert found.path is not None and read_all(found.path, 100) == b"secret"
    for name, rule in (("link.txt", "job-link"), ("pipe", "job-not-a-file"), ("~/x", "job-path-form")):
        assert [f.rule for f in resolve_equipment(folder, name, where="job.toml").findings] == [rule]


def test_reading_stops_at_one_byte_too_many(folder: Path) -> None:
    (folder / "long").write_bytes(b"x" * 100)
    assert len(read_all(folder / "long", 10)) == 11


def test_opening_follows_no_link_and_waits_for_no_pipe(folder: Path) -> None:
    for name in ("link.txt", "pipe"):
        with pytest.raises(OSError):
            read_all(folder / name, 10)


def test_a_name_that_is_no_unicode_is_told(folder: Path) -> None:
    try:
        (folder / os.fsdecode(b"caf\xe9.wav")).write_bytes(b"x")
    except OSError:
        pytest.skip("this file system takes Unicode names only")
    told = [f for f in list_folder(folder).findings if f.rule == "job-name-bytes"]
    assert told[0].where == "caf\\xe9.wav"


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(InputProblem):
        list_folder(tmp_path / "nothing")
