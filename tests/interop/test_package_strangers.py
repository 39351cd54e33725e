"""Whole packages of the real wrap, judged by programs, libraries and a schema that are not ours.

Outside sources: RFC 8493 (manifests), EBU Tech 3285 v2 (bext), RIFF/WAVE 1991, premis-v3-0.xsd of the Library
of Congress, and the tools named in tests/support/judges.py.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from support.followed import Shell, follow
from support.jobs import samples, tree
from support.judges import (
    check_bag,
    check_decoded,
    check_fields,
    check_premis,
    check_schemas,
    check_sums,
    judge,
    metadata,
)
from support.strangers import (
    Made,
    Tool,
    fmt_extensible,
    fmt_plain,
    make_job_around,
    run,
    strict_riff,
    wave,
    wrap_one,
)

from provpack.cli.ports import schema_pairs, wrap_ports
from provpack.edge import clock
from provpack.edge.demodata import read_demo_data
from provpack.edge.schemas import bundled
from provpack.jobs.demo import make_demo_job
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import verify_paths
from provpack.jobs.wrap import wrap_job

DEMO = tuple(f"T{n:02d}" for n in range(1, 12))
WITH_AUDIO = tuple(n for n in DEMO if n != "T06")
BITS = {"T04": 24}
# The received file of T02 says this in its own bext (demo/tapes.toml); the others have none.
RECEIVED_ROWS = {"T02": ["A=PCM,F=44056,W=16,M=stereo,T=Larkfile 2.6; digital in 1"]}


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo job and its eleven packages, made once: <folder>/job, <folder>/packages."""
    top = tmp_path_factory.mktemp("demo")

    def write(name: str, parts: Any) -> None:
        path = top / "job" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"".join(parts))

    make_demo_job(write, read_demo_data())
    with wrap_ports(top / "packages", Silent()) as ports:
        result = wrap_job(top / "job", top / "packages", ports)
    assert [u.outcome for u in result.units] == ["wrapped"] * len(DEMO)
    assert not [f for u in result.units for f in u.findings if f.rule == "wrap-second-opinion"]
    return top


def package_of(demo: Path, transfer: str) -> Made:
    package = demo / "packages" / f"gtr-2026-031_{transfer.lower()}"
    files = metadata(package, "record.json")["files"]
    names = [f["original_name"] for f in files if f["role"] == "master"]
    received = (demo / "job" / names[0]).read_bytes() if names else None
    return Made(package=package, received=received, findings={})


def verified(package: Path, depth: Any = "meaning") -> Any:
    return verify_paths(
        [package], depth, progress=Silent(), clock=clock.now, validate=schema_pairs(),
        recover=lambda source: record_of(source, ""),
    )  # fmt: skip


@pytest.mark.parametrize("transfer", WITH_AUDIO)
def test_a_demo_package(transfer: str, demo: Path, tool: Tool, tmp_path: Path, reference: Path) -> None:
    made = package_of(demo, transfer)
    riff = judge(made, tool, tmp_path, reference)
    assert made.received is not None
    assert riff.one(b"data").body == strict_riff(made.received).one(b"data").body
    assert riff.one(b"fmt ").body == strict_riff(made.received).one(b"fmt ").body
    check_decoded(made, riff.one(b"data").body, BITS.get(transfer, 16), tool)
    (file,) = [f for f in metadata(made.package, "record.json")["files"] if f["role"] == "master"]
    check_fields(made, file["original_name"], RECEIVED_ROWS.get(transfer, []), tool)
    assert verified(made.package).verdict == "good"


def test_the_package_without_audio(demo: Path, tool: Tool, tmp_path: Path, reference: Path) -> None:
    package = package_of(demo, "T06").package
    assert not (package / "data" / "master").exists()
    check_sums(package, tool)
    check_bag(package)
    check_schemas(package)
    document = (package / "data" / "metadata" / "premis.xml").read_bytes()
    check_premis({"outside": document}, tmp_path, reference, tool)
    assert verified(package).verdict == "good"


def test_time_reference_counts_true_frames(demo: Path) -> None:
    # 09:30:05 is 34 205 s; x 44100/1.001 Hz = 1 506 933 566.4 [computed], while the header's 44056 Hz would
    # give 1 506 935 480, a lie of 43 ms.
    riff = strict_riff(package_of(demo, "T02").master.read_bytes())
    stored = int.from_bytes(riff.one(b"bext").body[338:346], "little")
    assert stored == int(34205 * Fraction(44100000, 1001)) == 1_506_933_566


def test_the_time_is_that_of_the_pass_which_left_the_file(demo: Path) -> None:
    # T05: pass 1 (09:15) was stopped, pass 2 (11:00:05) is the master. Tech 3285 v2 2.3: the time of creation
    # of the audio sequence, so never that of a pass it does not hold.
    body = strict_riff(package_of(demo, "T05").master.read_bytes()).one(b"bext").body
    assert body[320:338] == b"2026-06-1011:00:05"


@pytest.mark.parametrize("transfer", DEMO)
def test_read_me_first_followed_to_the_letter(transfer: str, demo: Path, tool: Tool, tmp_path: Path) -> None:
    done = follow(package_of(demo, transfer).package, Shell(tmp_path / "bin", tool))
    assert done.complaints == ()
    assert len(done.typed) == (5 if transfer == "T06" else 7)


def test_inspect_of_a_lonely_master_prints_the_record(demo: Path, tmp_path: Path) -> None:
    made = package_of(demo, "T03")
    lonely = tmp_path / "found in a drawer.wav"
    shutil.copyfile(made.master, lonely)
    printed = json.loads(run(sys.executable, "-m", "provpack", "inspect", lonely, "--record"))
    outside = metadata(made.package, "record.json")
    assert printed == {**outside, "files": []}


def small_jobs() -> Iterator[tuple[str, bytes, int, dict[str, Any]]]:
    """(name, received file, bits, row): formats the demo does not have."""
    noise = samples(9001)
    yield "extensible-14-in-16", wave(fmt_extensible(2, 44100, 16, 16), noise), 16, {}
    # 14 bits at the top of 24: the tape's word length, as the record says.
    audio24 = b"".join(b"\0" + noise[i : i + 2] for i in range(0, 12000, 2))
    yield "24-525", wave(fmt_plain(2, 44056, 24), audio24), 24, {
        "line_standard": "525_5994", "capture_word_length": 24,
    }  # fmt: skip
    yield "24-extensible-odd", wave(fmt_extensible(1, 44100, 24, 24), audio24[:5001]), 24, {
        "channel_use": "mono", "capture_word_length": 24,
    }  # fmt: skip
    yield "mono", wave(fmt_plain(1, 44100, 16), noise), 16, {"channel_use": "mono"}


@pytest.mark.parametrize("case", list(small_jobs()), ids=lambda c: c[0])
def test_a_small_job(
    case: tuple[str, bytes, int, dict[str, Any]], tool: Tool, tmp_path: Path, reference: Path
) -> None:
    _, content, bits, row = case
    made = wrap_one(tmp_path / "w", content, row)
    riff = judge(made, tool, tmp_path, reference)
    audio = strict_riff(content).one(b"data").body
    assert riff.one(b"data").body == audio
    assert riff.one(b"fmt ").body == strict_riff(content).one(b"fmt ").body
    check_decoded(made, audio, bits, tool)
    assert verified(made.package).outcome == "good"


def test_more_silences_than_are_embedded(tmp_path: Path, reference: Path, tool: Tool) -> None:
    loud = b"\x04\x01\x08\xf1" * 100
    content = wave(fmt_plain(2, 44100, 16), (loud + bytes(400)) * 320)
    made = wrap_one(tmp_path / "w", content, {})
    outside = metadata(made.package, "record.json")
    assert len(outside["measured"]["digital_silence"]) == 320
    result = verified(made.package)
    assert [f.rule for u in result.units for f in u.findings] == []
    assert result.outcome == "good"
    data = record_of(_source(made.master))
    assert data is not None
    inside = json.loads(data)
    assert inside["measured"]["digital_silence"] == outside["measured"]["digital_silence"][:200]
    # What was left out is said, in the record itself.
    notes = {n["field"]: n["how"] for n in inside["derived"][len(outside["derived"]) :]}
    assert inside["derived"][: len(outside["derived"])] == outside["derived"]
    assert "200 of 320" in notes.pop("/measured/digital_silence")
    events = len(outside["measured"]["events_detected"])
    assert events > 50 and f"50 of {events}" in notes.pop("/measured/events_detected") and not notes
    import jsonschema_rs

    errors = jsonschema_rs.validator_for(bundled("transfer-record")).iter_errors(inside)
    # A master cannot list itself: the record inside it lists no files, and the schema knows that.
    assert [e.instance_path for e in errors] == []
    assert inside["files"] == []
    # A silence inside that differs from record.json is still a contradiction.
    master = made.master.read_bytes()
    assert master.count(b'{"length":100,"start":500}') == 1
    made.master.write_bytes(master.replace(b'{"length":100,"start":500}', b'{"length":101,"start":500}'))
    rules = {f.rule for u in verified(made.package).units for f in u.findings}
    assert "bag-embedded-record-disagrees" in rules


def test_a_dry_run_tells_the_size_of_the_master(tmp_path: Path) -> None:
    # Digests of many photos stand in the record inside the master; their room must be foreseen.
    from support.jobs import wrap

    papers = {f"photo {n}.png": bytes([n]) for n in range(70)}
    row = {"condition_photos": sorted(papers)}
    job = make_job_around(tmp_path / "job", wave(fmt_plain(2, 44100, 16), samples(9000)), row, papers=papers)
    planned = dict(wrap(job, tmp_path / "none", dry_run=True).units[0].files)
    made = dict(wrap(job, tmp_path / "out").units[0].files)
    assert len(planned) == 71
    assert planned == {path: made[path] for path in planned}
    assert not (tmp_path / "none").exists()


def _source(path: Path) -> Any:
    from provpack.chunks.source import BytesSource

    return BytesSource(path.read_bytes())


def test_the_embedded_premis_names_the_file_as_handed_in(demo: Path) -> None:
    from lxml import etree

    made = package_of(demo, "T02")
    assert made.received is not None
    ns = {"p": "http://www.loc.gov/premis/v3"}
    inside = etree.fromstring(strict_riff(made.master.read_bytes()).one(b"axml").body)
    outside = etree.fromstring((made.package / "data" / "metadata" / "premis.xml").read_bytes())
    for root in (inside, outside):
        digests = root.xpath("//p:object//p:messageDigest/text()", namespaces=ns)
        assert hashlib.sha256(made.received).hexdigest() in digests
        assert "audio/ACA 0412 (525).wav" in root.xpath("//p:originalName/text()", namespaces=ns)
        assert str(len(made.received)) in root.xpath("//p:size/text()", namespaces=ns)
    # The master inside the master: a path, but no digest and no size of its own.
    path = "//p:object[p:objectIdentifier/p:objectIdentifierValue[starts-with(., 'data/master/')]]"
    (master,) = inside.xpath(path, namespaces=ns)
    assert master.xpath(".//p:fixity | .//p:size", namespaces=ns) == []


def test_the_ledger_is_a_chain_and_verify_appends(demo: Path, tmp_path: Path) -> None:
    import jsonschema_rs

    packages = tmp_path / "packages"
    shutil.copytree(demo / "packages", packages)
    ledger = packages / "custody-ledger.jsonl"
    before = ledger.read_bytes()
    told = [json.loads(line)["kind"] for line in before.splitlines()]
    assert told.count("wrapped") == len(DEMO) and told.count("pass_made") == len(DEMO) + 1  # T05 twice
    run(sys.executable, "-m", "provpack", "verify", packages, "--depth", "listed")
    after = ledger.read_bytes()
    assert after.startswith(before)
    validator = jsonschema_rs.validator_for(bundled("ledger-entry"), validate_formats=True)
    previous = "0" * 128
    entries = []
    for number, line in enumerate(after.splitlines(), start=1):
        entries.append(json.loads(line))
        assert [e.message for e in validator.iter_errors(entries[-1])] == []
        assert (entries[-1]["n"], entries[-1]["previous"]) == (number, previous)
        previous = hashlib.sha512(line).hexdigest()
    assert [e["kind"] for e in entries] == told + ["fixity_checked"] * len(DEMO)
    for entry in entries:
        if entry["kind"] not in ("wrapped", "fixity_checked"):
            continue
        seal = (packages / entry["package"] / "tagmanifest-sha512.txt").read_bytes()
        assert entry["tagmanifest_sha512"] == hashlib.sha512(seal).hexdigest()


def leaves(value: Any, at: str = "") -> Iterator[tuple[str, Any]]:
    """(pointer, value) of everything in a JSON document that is no container."""
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from leaves(inner, f"{at}/{key}")
    else:
        yield at, value


def levelled(package: Path) -> dict[str, bytes]:
    """Every file with the record's id and all digests of whole files taken out."""
    files, record = tree(package), metadata(package, "record.json")
    blocks = metadata(package, "block-digests.json")
    digests = {hashlib.new(a, b).hexdigest() for b in files.values() for a in ("sha256", "sha512")}
    digests |= {blocks["head_sha256"], blocks["tail_sha256"]}
    words = (record["record_id"], record["record_id"].replace("-", ""), *sorted(digests))
    for path, data in files.items():
        for word in words:
            data = data.replace(word.encode(), b"*")
        files[path] = data
    return files


def test_two_wraps_differ_only_in_ids_and_times(tmp_path: Path) -> None:
    job = make_job_around(tmp_path / "job", wave(fmt_plain(2, 44100, 16), samples(50000)), {})
    packages = []
    # Two at one time of day, so that only ids can differ, and one a year later.
    for name, year in (("one", 2027), ("two", 2027), ("three", 2028)):
        with wrap_ports(tmp_path / name, Silent()) as ports:
            now = datetime(year, 3, 4, 5, 6, 7, tzinfo=UTC)
            result = wrap_job(job, tmp_path / name, replace(ports, now=lambda now=now: now))
        packages.append(tmp_path / name / result.units[0].package_name)
    one, two, three = packages
    assert metadata(one, "record.json")["record_id"] != metadata(two, "record.json")["record_id"]
    left, right = levelled(one), levelled(two)
    assert {p: len(b) for p, b in tree(one).items()} == {p: len(b) for p, b in tree(two).items()}
    assert [p for p in left if left[p] != right.get(p)] == []
    assert left.keys() == right.keys() == tree(three).keys()
    early, late = (dict(leaves(metadata(p, "record.json"))) for p in (one, three))
    assert early.keys() == late.keys()
    changed = {key for key in early if early[key] != late[key]}
    master = next(k.rsplit("/", 1)[0] for k, v in early.items() if k.endswith("/role") and v == "master")
    assert changed == {
        "/record_id", "/made_by/at", "/measured/at", "/processing/processing_steps/0/at",
        f"{master}/sha256", f"{master}/sha512",
    }  # fmt: skip
