"""Verification of bags: outcomes, trees, links, what cannot be read, what changes while it is read."""

from __future__ import annotations

import json
import os
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import digest, now, rules_of, seal

from provpack.edge import hashing, reading
from provpack.jobs import verify_files
from provpack.jobs.progress import Silent
from provpack.jobs.verify import UnitResult, VerifyResult, verify_paths
from provpack.package import rules
from provpack.package.bagwrite import build_manifest

Bag = Callable[..., Path]
Verify = Callable[..., VerifyResult]


@pytest.mark.parametrize("depth", ["listed", "bytes", "meaning"])
def test_a_good_bag_is_good(bag: Bag, verify: Verify, depth: str) -> None:
    result = verify(bag(), depth=depth)
    assert result.outcome == result.verdict == "good"
    assert result.counts() == {"good": 1, "bad": 0, "missing": 0, "could_not_check": 0}
    unit = result.units[0]
    assert (unit.bag_version, unit.payload_files, unit.payload_bytes) == ("1.0", 2, 9)
    assert unit.algorithms == ("sha256", "sha512") and unit.started_at == now().isoformat()
    assert unit.identity == digest("sha512", (Path(unit.path) / "tagmanifest-sha512.txt").read_bytes())


def test_the_result_is_json_with_a_top_level_outcome(bag: Bag, verify: Verify) -> None:
    data = json.loads(json.dumps(verify(bag()).as_json()))
    assert data["outcome"] == "good" and data["units"][0]["outcome"] == "good"


def test_every_single_flipped_bit_in_a_bag_is_found(bag: Bag, verify: Verify) -> None:
    # A tag manifest vouches for all but the tag manifests themselves; of those, every bit of a line counts.
    root = bag()
    rng = random.Random(7)
    for path in sorted(p for p in root.rglob("*") if p.is_file()):
        whole = path.read_bytes()
        for _ in range(12):
            bit = rng.randrange(len(whole) * 8)
            data = bytearray(whole)
            data[bit // 8] ^= 1 << bit % 8
            path.write_bytes(data)
            case_only = path.name.startswith("tagmanifest") and data.lower() == whole.lower()
            assert verify(root).outcome in ("bad", "missing") or case_only, (path, bit)
        path.write_bytes(whole)
    assert verify(root).outcome == "good"


def test_depth_listed_reads_no_payload_and_says_so(bag: Bag, verify: Verify) -> None:
    root = bag()
    (root / "data/a.txt").write_bytes(b"ALPHA")
    result = verify(root, depth="listed")
    assert result.outcome == "good" and rules.PAYLOAD_NOT_READ.id in rules_of(result)
    assert verify(root).outcome == "bad"
    (root / "data/a.txt").write_bytes(b"longer than before")
    assert rules_of(verify(root, depth="listed"), "error") == [rules.OXUM_MISMATCH.id]


def test_depth_listed_digests_tag_files(bag: Bag, verify: Verify) -> None:
    root = bag()
    info = root / "bag-info.txt"
    info.write_bytes(info.read_bytes() + b"Contact-Name: Ada\n")
    assert rules_of(verify(root, depth="listed"), "error") == [rules.DIGEST_MISMATCH.id] * 2


def test_every_problem_is_listed(bag: Bag, verify: Verify) -> None:
    root = bag(files={f"data/{n}": n.encode() for n in ("a", "b", "c")})
    (root / "data/a").unlink()
    (root / "data/b").write_bytes(b"x")
    (root / "data/new").write_bytes(b"y")
    found = set(rules_of(verify(root), "error"))
    assert {"bag-file-missing", "bag-digest-mismatch", "bag-payload-unlisted"} <= found


def test_only_files_missing_is_missing(bag: Bag, verify: Verify) -> None:
    root = bag(files={"data/empty": b"", "data/a": b"x"})
    (root / "data/empty").unlink()
    # Payload-Oxum counts files too, so that line must go for "missing" to be all there is to say.
    (root / "bag-info.txt").write_bytes(b"Contact-Name: Ada\n")
    for name in ("sha256", "sha512"):
        tag = root / f"tagmanifest-{name}.txt"
        lines = [line for line in tag.read_text().splitlines() if "bag-info" not in line]
        tag.write_text("\n".join(lines) + "\n")
    result = verify(root)
    assert result.outcome == result.verdict == "missing"


def test_missing_and_wrong_paths(tmp_path: Path, bag: Bag, verify: Verify) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "file.wav").write_bytes(b"RIFF")
    result = verify(tmp_path / "nowhere", tmp_path / "empty", tmp_path / "file.wav", bag())
    assert [u.outcome for u in result.units] == ["missing", "missing", "could_not_check", "good"]
    assert result.outcome == "missing"


def test_a_tree_of_bags(tmp_path: Path, bag: Bag, verify: Verify) -> None:
    for name in ("shelf/one", "shelf/box/two", "shelf/three"):
        bag(name)
    inner = bag("shelf/outer/data/inner")
    seal(tmp_path / "shelf/outer")
    (tmp_path / "shelf/three/data/a.txt").write_bytes(b"ALPHA")
    (tmp_path / "shelf/.partial-four").mkdir()
    (tmp_path / "shelf/link").symlink_to(tmp_path / "shelf/one")
    seen: list[UnitResult] = []
    result = verify(tmp_path / "shelf", record=seen.append)
    names = [Path(u.path).relative_to(tmp_path / "shelf").as_posix() for u in result.units]
    assert names == ["box/two", "one", "outer", "three"]
    assert [u.outcome for u in result.units] == ["good", "good", "good", "bad"]
    assert result.outcome == "bad" and tuple(seen) == result.units
    assert sorted(f.rule for f in result.findings) == [rules.LEFTOVER.id, rules.LINK_PASSED.id]
    assert verify(inner).outcome == "good"


def test_the_same_path_twice_is_one_unit(bag: Bag, verify: Verify) -> None:
    root = bag()
    assert len(verify(root, root, root.parent).units) == 1


def test_gravity(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    good, warned, unknown, bad = bag("good"), bag("warned", algorithms=("md5",)), bag("unknown"), bag("bad")
    (unknown / "bagit.txt").write_text("BagIt-Version: 7.0\nTag-File-Character-Encoding: UTF-8\n")
    for tag in unknown.glob("tagmanifest-*"):
        tag.unlink()
    (bad / "data/a.txt").write_bytes(b"ALPHA")
    gone = tmp_path / "gone"
    assert verify(good).verdict == "good"
    assert (verify(good, warned).outcome, verify(good, warned).verdict) == ("good", "warnings")
    assert verify(good, warned, unknown).verdict == "could_not_check"
    assert verify(good, unknown, gone).verdict == "missing"
    assert verify(gone, unknown, bad, good).verdict == "bad"


def test_unknown_algorithm_is_could_not_check_unless_something_is_bad(bag: Bag, verify: Verify) -> None:
    # RFC 8493 section 3: valid = every checksum in every manifest verified
    root = bag(algorithms=("sha512",))
    (root / "tagmanifest-sha512.txt").unlink()
    (root / "manifest-foo1.txt").write_bytes(
        build_manifest([("data/a.txt", "00ff"), ("data/sub/b.txt", "00ff")])
    )
    result = verify(root)
    assert result.outcome == "could_not_check"
    assert rules_of(result, "error") == [rules.UNKNOWN_ALGORITHM.id]
    (root / "data/a.txt").write_bytes(b"ALPHA")
    assert verify(root).outcome == "bad"


def test_an_algorithm_this_installation_lacks(
    bag: Bag, verify: Verify, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = bag(algorithms=("sha3_256",))
    for old in list(root.glob("*manifest-sha3_256.txt")):
        old.rename(root / old.name.replace("sha3_256", "sha3256"))
    (root / "tagmanifest-sha3256.txt").unlink()
    assert verify(root).outcome == "good"
    real = hashing.hashlib.new

    def lacking(name: str, *args: Any, **options: Any) -> Any:
        if name == "sha3_256":
            raise ValueError("unsupported hash type")
        return real(name, *args, **options)

    hashing.hashlib_name.cache_clear()
    with monkeypatch.context() as patch:
        patch.setattr(hashing.hashlib, "new", lacking)
        assert verify(root).outcome == "could_not_check"
    hashing.hashlib_name.cache_clear()


@pytest.mark.parametrize(
    ("version", "outcome"), [("2.0", "could_not_check"), ("0.5", "could_not_check"), ("1.7", "bad")]
)
def test_other_versions_are_never_good(bag: Bag, verify: Verify, version: str, outcome: str) -> None:
    root = bag(algorithms=("sha512",))
    (root / "tagmanifest-sha512.txt").unlink()
    (root / "bagit.txt").write_text(f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n")
    assert verify(root).outcome == outcome


# --- links and special files ---------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["file", "folder", "payload", "declaration", "manifest", "dangling"])
def test_links_are_never_followed(bag: Bag, verify: Verify, tmp_path: Path, kind: str) -> None:
    root = bag()
    away = tmp_path / "away"
    away.mkdir()
    target = {
        "file": "data/a.txt",
        "folder": "data/sub",
        "payload": "data",
        "declaration": "bagit.txt",
        "manifest": "manifest-sha512.txt",
        "dangling": "data/a.txt",
    }[kind]
    (root / target).rename(away / "moved")
    (root / target).symlink_to(away / ("moved" if kind != "dangling" else "gone"))
    result = verify(root)
    assert result.outcome == "bad" and "bag-link" in rules_of(result, "error")


def test_a_pipe_in_the_payload_does_not_hang(bag: Bag, verify: Verify) -> None:
    root = bag()
    (root / "data/a.txt").unlink()
    os.mkfifo(root / "data/a.txt")
    assert "bag-not-a-regular-file" in rules_of(verify(root), "error")


def test_a_name_that_is_not_utf8(bag: Bag, verify: Verify) -> None:
    root = bag()
    raw = os.fsencode(root) + b"/data/caf\xe9.txt"
    os.close(os.open(raw, os.O_CREAT | os.O_WRONLY))
    result = verify(root)
    finding = next(f for u in result.units for f in u.findings if f.rule == "bag-payload-unlisted")
    assert finding.position["path"] == "data/caf\\xe9.txt"
    assert finding.position["path_base64"] == "ZGF0YS9jYWbpLnR4dA=="  # base64 of the name's bytes
    json.dumps(result.as_json()).encode("utf-8")


# --- what cannot be read -------------------------------------------------------------------------------


def fail_reading(monkeypatch: pytest.MonkeyPatch, name: str, error: OSError) -> None:
    """Opening a file of that name fails (works for root too, whom permissions do not stop)."""
    real = os.open

    def fake(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == name:
            raise error
        return real(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", fake)


@pytest.mark.parametrize("name", ["a.txt", "bag-info.txt", "manifest-sha512.txt", "bagit.txt", "sub"])
def test_unreadable_is_could_not_check_and_the_others_go_on(
    bag: Bag, verify: Verify, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    one, two = bag("one"), bag("two", {"data/z": b"z"})
    fail_reading(monkeypatch, name, PermissionError(13, "Permission denied"))
    (two / "data/z").write_bytes(b"Z")
    result = verify(one, two)
    assert result.units[0].outcome == "could_not_check"
    assert set(rules_of(result, "error")) >= {rules.UNREADABLE.id}
    if name in ("a.txt", "sub"):
        assert [u.outcome for u in result.units] == ["could_not_check", "bad"]


def test_a_read_error_half_way(bag: Bag, verify: Verify, monkeypatch: pytest.MonkeyPatch) -> None:
    root = bag()
    real = reading.digest_file

    def broken(file: Any, *args: Any, **options: Any) -> Any:
        if os.fstat(file.fileno()).st_size == 5:
            raise OSError(5, "Input/output error")
        return real(file, *args, **options)

    monkeypatch.setattr(reading, "digest_file", broken)
    result = verify(root)
    assert result.outcome == "could_not_check"
    finding = next(f for u in result.units for f in u.findings if f.severity == "error")
    assert "Input/output error" in finding.what and finding.position["path"] == "data/a.txt"


@pytest.mark.parametrize("how", ["grow", "touch"])
def test_changed_while_read(bag: Bag, verify: Verify, monkeypatch: pytest.MonkeyPatch, how: str) -> None:
    root = bag()
    real = reading.digest_file

    def meddled(file: Any, *args: Any, **options: Any) -> Any:
        digests = real(file, *args, **options)
        if os.fstat(file.fileno()).st_size == 5:
            if how == "grow":
                with (root / "data/a.txt").open("ab") as more:
                    more.write(b"!")
            else:
                os.utime(root / "data/a.txt", ns=(1, 1))
        return digests

    monkeypatch.setattr(reading, "digest_file", meddled)
    result = verify(root)
    assert result.outcome == "could_not_check"
    assert rules_of(result, "error") == [rules.CHANGED.id]


def test_gone_between_listing_and_reading(bag: Bag, verify: Verify, monkeypatch: pytest.MonkeyPatch) -> None:
    root = bag()
    fail_reading(monkeypatch, "a.txt", FileNotFoundError(2, "No such file or directory"))
    assert verify(root).outcome == "could_not_check"


def test_a_slip_of_ours_is_could_not_check(bag: Bag, verify: Verify, monkeypatch: pytest.MonkeyPatch) -> None:
    def slip(*_args: object) -> None:
        raise ZeroDivisionError("oops")

    monkeypatch.setattr("provpack.jobs.verify_unit.check_structure", slip)
    result = verify(bag("one"), bag("two"))
    assert [u.outcome for u in result.units] == ["could_not_check"] * 2
    assert rules_of(result, "error") == [rules.CHECK_FAILED.id] * 2


@pytest.mark.parametrize("names", [("one",), ("one", "two", "three")])
def test_an_interrupt_escapes_and_ends_all_threads(bag: Bag, names: tuple[str, ...]) -> None:
    roots = [bag(name) for name in names]

    class Interrupts(Silent):
        def advance(self, amount: int) -> None:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        verify_paths(roots, "bytes", progress=Interrupts(), clock=now)


def test_progress_reports_the_payload(bag: Bag) -> None:
    told: list[int] = []
    begun: list[tuple[str, int]] = []

    class Counts(Silent):
        def begin(self, label: str, total: int) -> None:
            begun.append((label, total))

        def advance(self, amount: int) -> None:
            told.append(amount)

    root = bag()
    result = verify_paths([root], "bytes", progress=Counts(), clock=now)
    assert sum(told) == begun[0][1] == result.units[0].bytes_read
    assert begun[0][0] == "verifying 1 package"


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_many_files_and_packages_in_parallel(bag: Bag, verify: Verify, workers: int) -> None:
    files = {f"data/{n:03}": bytes([n % 251]) * (n * 50) for n in range(60)}
    roots = [bag(f"b{n}", files) for n in range(3)]
    (roots[1] / "data/017").write_bytes(b"!")
    result = verify(*roots, workers=workers)
    assert [u.outcome for u in result.units] == ["good", "bad", "good"]
    assert verify(roots[1], workers=workers).outcome == "bad"


def test_which_files_to_read_with_the_whole_machine() -> None:
    # one large file dominates: alone first; equal files: side by side
    assert verify_files.whole_machine_first([1000, 1, 1], 2) == 1
    assert verify_files.whole_machine_first([100, 100], 2) == 0
    assert verify_files.whole_machine_first([100, 100, 100], 2) == 1
    assert verify_files.whole_machine_first([], 2) == 0
