"""Packages on object storage, against a real server that speaks S3 (moto, in a process of its own).

Filled and changed with boto3, Amazon's own client; what it should say is what the same check says of the
same package in a folder.
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
import subprocess
import sys
import tarfile
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import seal
from support.remoteserver import KEY, SECRET, Bucket, Server, s3_server, tell, use_s3

from provpack.cli.ports import schema_pairs
from provpack.edge import clock
from provpack.edge.remote import RemotePlace
from provpack.edge.remotefile import BLOCK
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verified import Depth, VerifyResult
from provpack.jobs.verify import verify_paths
from provpack.jobs.verify_find import find_units

SAMPLE = Path(__file__).resolve().parents[1] / "samples" / "old-13_k01.zip"
DEPTHS: tuple[Depth, ...] = ("listed", "bytes", "meaning")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with s3_server(tmp_path_factory.mktemp("s3") / "log.txt") as running:
        yield running


@pytest.fixture
def bucket(server: Server, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Bucket:
    """A bucket of this test's own; the server's address and a key stand in the environment."""
    use_s3(monkeypatch, server)
    return Bucket(server, "shelf-" + str(abs(hash(request.node.name))))


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A small bag with a file larger than two blocks of the reader."""
    root = tmp_path / "tape 7"
    (root / "data").mkdir(parents=True)
    (root / "data" / "große spule.bin").write_bytes(os.urandom(2 * BLOCK + 77))
    (root / "data" / "b.txt").write_bytes(b"beta")
    (root / "data" / "empty").write_bytes(b"")
    seal(root)
    return root


def verified(where: Path | str, depth: Depth = "bytes") -> VerifyResult:
    return verify_paths(
        [where], depth, progress=Silent(), clock=clock.now, validate=schema_pairs(),
        recover=lambda source: record_of(source, ""),
    )  # fmt: skip


def told(result: VerifyResult) -> list[dict[str, Any]]:
    """Everything about the units but where they lie and when they were checked."""
    units = [json.loads(json.dumps(unit.as_json())) for unit in result.units]
    for unit in units:
        for key in ("path", "path_base64", "started_at", "finished_at"):
            del unit[key]
    return sorted(units, key=lambda unit: str(unit["name"]))


def rules(result: VerifyResult) -> set[str]:
    return {f.rule for unit in result.units for f in unit.findings if f.severity != "note"}


def test_the_demo_on_object_storage_is_told_as_in_folders(
    server: Server, bucket: Bucket, tmp_path: Path
) -> None:
    subprocess.run(
        [sys.executable, "-m", "provpack", "demo", str(tmp_path / "demo")],
        check=True, stdout=subprocess.DEVNULL, timeout=300,
    )  # fmt: skip
    packages = tmp_path / "demo" / "packages"
    bucket.upload(packages, "rooms/2")
    server.forget()
    for depth in DEPTHS:
        here, there = verified(packages, depth), verified(f"s3://{bucket.name}/rooms", depth)
        assert told(there) == told(here) and len(there.units) == 11
        assert there.verdict == here.verdict
    assert {method for method, _, _ in server.requests()} == {"GET", "HEAD"}  # nothing is ever written
    # one package alone, and with a slash at the end
    one = verified(f"s3://{bucket.name}/rooms/2/gtr-2026-031_t01/")
    assert [(u.name, u.outcome) for u in one.units] == [("gtr-2026-031_t01", "good")]

    master = next(packages.glob("gtr-2026-031_t01/data/master/*.wav"))
    data = bytearray(master.read_bytes())
    data[len(data) // 2] ^= 1
    master.write_bytes(data)
    bucket.put(f"rooms/2/{master.relative_to(packages).as_posix()}", bytes(data))
    here, there = verified(packages, "meaning"), verified(f"s3://{bucket.name}/rooms", "meaning")
    assert there.outcome == "bad" and [len(u.damage) for u in there.units].count(1) == 1
    damaged = next(unit for unit in there.units if unit.damage)
    assert told(there) == told(here) and damaged.damage[0].bad_blocks == 1


def test_names_with_blanks_and_umlauts_and_empty_files(bucket: Bucket, bag: Path) -> None:
    bucket.upload(bag, "tape 7")
    for depth in DEPTHS:
        assert told(verified(f"s3://{bucket.name}/tape 7", depth)) == told(verified(bag, depth))
    assert verified(f"s3://{bucket.name}").units[0].path == f"s3://{bucket.name}/tape 7"


@pytest.mark.parametrize(
    ("what", "outcome", "rule"),
    [
        ("flip", "bad", "bag-digest-mismatch"), ("lose", "missing", "bag-file-missing"),
        ("add", "bad", "bag-payload-unlisted"), ("cut", "bad", "bag-digest-mismatch"),
        ("declaration", "bad", "bag-declaration-missing"),
    ],
)  # fmt: skip
def test_damage_is_found(bucket: Bucket, bag: Path, what: str, outcome: str, rule: str) -> None:
    big = bag / "data" / "große spule.bin"
    if what == "flip":
        data = bytearray(big.read_bytes())
        data[BLOCK + 5] ^= 16
        big.write_bytes(data)
    elif what == "cut":
        big.write_bytes(big.read_bytes()[:-1])
    elif what == "lose":
        (bag / "data" / "b.txt").unlink()
    elif what == "add":
        (bag / "data" / "more.txt").write_bytes(b"more")
    else:
        (bag / "bagit.txt").unlink()
    bucket.upload(bag, "tape 7")
    there = verified(f"s3://{bucket.name}/tape 7")
    assert told(there) == told(verified(bag))
    assert there.outcome == outcome and rule in rules(there)


@pytest.mark.parametrize(
    "key",
    ["data/../../steal", "data//x", "/etc/passwd", "data/./x", "data/b.txt/under", "data/sub/"],
)
def test_names_that_are_no_files_of_a_tree_are_refused(bucket: Bucket, bag: Path, key: str) -> None:
    bucket.upload(bag, "t")
    bucket.put(f"t/{key}", b"something")
    there = verified(f"s3://{bucket.name}/t")
    assert there.outcome != "good" and "bag-unreadable" in rules(there)
    # the mark that consoles keep for a folder is none of these
    bucket.delete(f"t/{key}")
    bucket.put("t/data/", b"")
    bucket.put("t/", b"")
    assert verified(f"s3://{bucket.name}/t").outcome == "good"


def test_a_folder_without_a_name_is_told(bucket: Bucket, bag: Path) -> None:
    bucket.upload(bag, "shelf//t")
    there = verified(f"s3://{bucket.name}/shelf")
    assert there.outcome == "could_not_check" and rules(there) == {"bag-unreadable"}


def test_an_object_replaced_while_it_is_read(bucket: Bucket, bag: Path) -> None:
    bucket.upload(bag, "t")
    big = "data/große spule.bin"
    place = RemotePlace(f"s3://{bucket.name}/t")
    assert place.listing() is not None
    with place.open(big) as file:
        assert file.stream.read(10) and file.held_still()
        bucket.put(f"t/{big}", os.urandom(file.size))
        assert not file.held_still()

    class Meanwhile(Silent):
        """Replaces the object once its first block was counted."""

        done = False

        def advance(self, amount: int) -> None:
            if amount > 100_000 and not self.done:
                self.done = True
                bucket.put(f"t/{big}", os.urandom((bag / big).stat().st_size))

    bucket.upload(bag, "t")
    result = verify_paths([f"s3://{bucket.name}/t"], "bytes", progress=Meanwhile(), clock=clock.now)
    assert result.outcome == "could_not_check" and rules(result) == {"bag-changed-while-read"}


def test_a_server_killed_while_it_is_read(tmp_path: Path, bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_MAX_ATTEMPTS", "1")  # the driver's own repetitions take their time
    with s3_server(tmp_path / "log.txt") as server:
        use_s3(monkeypatch, server)
        bucket = Bucket(server, "shelf")
        bucket.upload(bag, "t")

        class Kill(Silent):
            def advance(self, amount: int) -> None:
                if amount > 100_000:
                    server.kill()

        began = time.monotonic()
        result = verify_paths(["s3://shelf/t"], "bytes", progress=Kill(), clock=clock.now)
        assert result.outcome == "could_not_check" and rules(result) == {"bag-unreadable"}
        assert any("connection was refused or lost" in f.what for f in result.units[0].findings)
        assert time.monotonic() - began < 120
        # and now it cannot be listed either
        again = verified("s3://shelf/t")
        assert again.outcome == "could_not_check" and rules(again) == {"bag-unreadable"}


def test_no_such_bucket_no_such_place(bucket: Bucket) -> None:
    bucket.put("a/x.txt", b"x")
    gone = verified("s3://no-such-bucket-here/t")
    assert gone.outcome == "could_not_check" and "no such bucket" in gone.units[0].findings[0].what
    nothing = verified(f"s3://{bucket.name}/b")
    assert nothing.outcome == "missing" and rules(nothing) == {"bag-not-found"}
    none = verified(f"s3://{bucket.name}/a")
    assert none.outcome == "missing" and rules(none) == {"bag-none-here"}
    single = verified(f"s3://{bucket.name}/a/x.txt")
    assert single.outcome == "could_not_check" and rules(single) == {"bag-not-a-folder"}


def test_wrong_credentials(tmp_path: Path, bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with s3_server(tmp_path / "log.txt") as server:
        use_s3(monkeypatch, server)
        Bucket(server, "shelf").upload(bag, "t")
        assert tell(server, "/moto-api/reset-auth", "0") == 200  # from now on moto checks who asks
        use_s3(monkeypatch, server, key="AKIANOBODYKNOWSTHIS1")
        result = verified("s3://shelf/t")
        said = result.units[0].findings[0]
        assert result.outcome == "could_not_check" and "access was refused" in said.what
        assert KEY not in str(result.as_json()) and SECRET not in str(result.as_json())


def test_the_command_line_reads_addresses(bucket: Bucket, bag: Path, tmp_path: Path) -> None:
    """As a user types it, in processes of its own; nothing of the drivers' noise on the terminal."""
    for n in range(3):
        bucket.upload(bag, f"shelf/{n}")
    command = [sys.executable, "-W", "default", "-m", "provpack", "verify", "--json", "--workers", "2"]
    command += [f"s3://{bucket.name}/shelf", bag.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    units = json.loads(done.stdout)["units"]
    assert [unit["path"] for unit in units] == [
        *(f"s3://{bucket.name}/shelf/{n}" for n in range(3)), str(bag)
    ]  # fmt: skip
    assert {unit["outcome"] for unit in units} == {"good"}


def test_two_thousand_and_five_hundred_objects(bucket: Bucket, tmp_path: Path) -> None:
    """A list of a thousand keys is one page of S3 (ListObjectsV2, MaxKeys), so this one has three."""
    root = tmp_path / "many"
    (root / "data").mkdir(parents=True)
    for n in range(2500):
        (root / "data" / f"{n:04}.txt").write_bytes(b"%d" % n)
    seal(root, ("sha256",))
    bucket.upload(root, "many")
    listing = RemotePlace(f"s3://{bucket.name}/many").listing()
    assert listing is not None and listing.complete
    assert sum(entry.kind == "file" for entry in listing.entries) == 2500 + 4
    assert told(verified(f"s3://{bucket.name}/many", "listed")) == told(verified(root, "listed"))
    shutil.rmtree(root)


def test_an_empty_payload_has_no_folder_on_object_storage(bucket: Bucket, tmp_path: Path) -> None:
    (tmp_path / "t" / "data").mkdir(parents=True)
    seal(tmp_path / "t")
    bucket.upload(tmp_path / "t", "t")
    assert told(verified(f"s3://{bucket.name}/t")) == told(verified(tmp_path / "t"))


def test_archives_are_read_where_they_lie(bucket: Bucket, server: Server, bag: Path, tmp_path: Path) -> None:
    """By ranges (a sample zip, and tar of Python's tarfile), told as on disk; not fetched as a whole."""
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    shutil.copyfile(SAMPLE, shelf / SAMPLE.name)
    with tarfile.open(shelf / "tape 7.tar", "w") as archive:
        archive.add(bag, bag.name)
    (shelf / "photos.tar.gz").write_bytes(gzip.compress(b"no bag"))
    with zipfile.ZipFile(shelf / "papers.zip", "w") as other:
        other.writestr("letter.txt", "no bag")
    bucket.upload(shelf, "s")
    for depth in DEPTHS:
        here, there = verified(shelf, depth), verified(f"s3://{bucket.name}/s", depth)
        assert told(there) == told(here) and [u.outcome for u in there.units] == ["good", "good"]
        assert [f.rule for f in there.findings] == [f.rule for f in here.findings]
    assert told(verified(f"s3://{bucket.name}/s/tape 7.tar")) == told(verified(shelf / "tape 7.tar"))
    server.forget()
    assert verified(f"s3://{bucket.name}/s/{SAMPLE.name}").outcome == "good"
    assert {(m, code) for m, _, code in server.requests()} <= {("GET", 200), ("HEAD", 200), ("GET", 206)}

    for name, place in (("tape 7.tar", BLOCK), (SAMPLE.name, 50_000)):
        data = bytearray((shelf / name).read_bytes())
        data[place] ^= 1
        (shelf / name).write_bytes(data)
        bucket.put(f"s/{name}", bytes(data))
    bucket.put("s/cut.tar", (shelf / "tape 7.tar").read_bytes()[:BLOCK])
    (shelf / "cut.tar").write_bytes((shelf / "tape 7.tar").read_bytes()[:BLOCK])
    here, there = verified(shelf), verified(f"s3://{bucket.name}/s")
    assert told(there) == told(here) and "good" not in {u.outcome for u in there.units}


def test_leftovers_and_the_order_of_units(bucket: Bucket, bag: Path) -> None:
    for name in ("b", "a", "c/deep"):
        bucket.upload(bag, name)
    bucket.put("x/.partial-77/bagit.txt", b"half")
    bucket.put("x/photo.jpg", b"no bag")
    units, findings = find_units([f"s3://{bucket.name}", f"s3://{bucket.name}/a"])
    assert [unit.path for unit in units] == [f"s3://{bucket.name}/{n}" for n in ("a", "b", "c/deep")]
    assert [f.rule for f in findings] == ["bag-leftover"]
