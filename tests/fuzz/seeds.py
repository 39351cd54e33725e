"""Where fuzzing begins: a few sound inputs a target, made by our own writers or invented for the tests."""

from __future__ import annotations

import functools
import hashlib
import json
import os
import struct
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any

from support.archives import END, ZipMember, pax, tar_entry, zip_archive
from support.archivewriting import made
from support.bagmaking import block_digests as digests_of
from support.bagmaking import wave
from support.benchlines import (
    at,
    attached,
    back,
    declared,
    detached,
    event,
    judged,
    noted,
    started,
    stopped,
    taken_in,
)
from support.deliveries import note
from support.metadata import OTHERS
from support.profiles import document, requirements
from support.signing import key_of_seed

from fuzz.law import PART
from provpack.chunks.bext import UMID_LABEL, Bext, build_bext
from provpack.chunks.history import CodingRow, format_history
from provpack.chunks.info import build_info
from provpack.chunks.lists import chunk_bytes
from provpack.chunks.markers import Marker, build_adtl, build_cue
from provpack.edge.sshkeys import _key_file
from provpack.edge.tags import build_vorbis_comment
from provpack.package import layout
from provpack.package.audio_object import build_audio_object
from provpack.package.bagwrite import build_bag_info, build_manifest
from provpack.package.documents import document_bytes
from provpack.package.ledgerline import KINDS
from provpack.package.mets import build_mets
from provpack.package.premis import build_premis
from provpack.package.receipt import Found, build_receipt
from provpack.package.signers import signer_line

TESTS = Path(__file__).resolve().parents[1]
DEMO = TESTS.parent / "demo"
REFERENCE = Path(os.environ.get("PROVPACK_REFERENCE", TESTS.parents[1] / "shared" / "reference"))
LARGEST = 64 * 1024
"""Bytes of a reference file that serves as a seed at run time."""

FMT = struct.pack("<HHIIHH", 1, 2, 44056, 176224, 4, 16)
EXTENSIBLE = struct.pack("<HHIIHHHHI", 0xFFFE, 1, 48000, 144000, 3, 24, 22, 20, 4) + bytes.fromhex(
    "0100000000001000800000AA00389B71"
)
ROWS = (
    CodingRow(algorithm="PCM", frequency=44056, word_length=14, mode="stereo", text="VHS;deck 2"),
    CodingRow(algorithm="PCM", frequency=44056, bit_rate=7, word_length=16, mode="mono", extra=(("X", "y"),)),
)
BEXT = build_bext(
    Bext(
        description="tape", originator="house", originator_reference="r", origination_date="2026-06-09",
        origination_time="09:30:00", time_reference=1 << 33, version=2, umid=UMID_LABEL + bytes(60),
        loudness_value=Decimal("-23.1"), loudness_range=Decimal(7), coding_history=format_history(ROWS),
    )
)  # fmt: skip
MARKS = (Marker(id=1, frame=1, label="a", note="b", length=2), Marker(id=2, frame=3, label="c"))
IXML = b"<BWFXML><SPEED><TIMESTAMP_SAMPLE_RATE>44056</TIMESTAMP_SAMPLE_RATE></SPEED><BEXT>" + (
    b"<BWF_TIME_REFERENCE_LOW>0</BWF_TIME_REFERENCE_LOW><BWF_ORIGINATOR>house</BWF_ORIGINATOR></BEXT></BWFXML>"
)
AXML = b'<a xmlns:p="urn:x"><t xmlns="urn:provpack:record:1">{"a": 1}</t><p:b c="d">e</p:b><!-- f --></a>'
CHNA = struct.pack("<HHH12s14s11sx", 1, 1, 1, b"ATU_00000001", b"AT_00031001_01", b"AP_00031002")
FLAC_INFO = bytes(10) + ((44056 << 44) | (1 << 41) | (15 << 36) | 60).to_bytes(8, "big") + bytes(range(16))
FLAC_TAGS = build_vorbis_comment("v", [("TITLE", "ä"), ("DATE", "2026")])


def riff(form: bytes, fmt: bytes, body: bytes) -> bytes:
    """A whole file; RF64 and BW64 with a ds64 chunk."""
    audio = body.index(b"data")
    size = int.from_bytes(body[audio + 4 : audio + 8], "little")
    ds64 = b"" if form in (b"RIFF", b"RIFX") else chunk_bytes(b"ds64", struct.pack("<QQQI", 0, size, 15, 0))
    whole = b"WAVE" + ds64 + chunk_bytes(b"fmt ", fmt) + body
    return form + struct.pack("<I", len(whole)) + whole


BODY = b"".join(
    chunk_bytes(name, body)
    for name, body in (
        (b"bext", BEXT), (b"iXML", IXML), (b"chna", CHNA), (b"data", bytes(range(60))),
        (b"LIST", build_info([("INAM", "abc"), ("ICMT", "d")])), (b"cue ", build_cue(MARKS)),
        (b"LIST", build_adtl(MARKS)), (b"axml", AXML), (b"fact", struct.pack("<I", 15)), (b"JUNK", bytes(3)),
    )
)  # fmt: skip
SHORT = chunk_bytes(b"abcd", b"x") + chunk_bytes(b"data", bytes(range(96)))
WAVES = [riff(f, fmt, BODY) for f in (b"RIFF", b"RF64", b"BW64", b"RIFX") for fmt in (FMT, EXTENSIBLE)]
PLAIN = [riff(f, fmt, SHORT) for f in (b"RIFF", b"RF64", b"BW64") for fmt in (FMT, EXTENSIBLE)]
FLAC = b"".join(
    (b"fLaC\0\0\0\x22", FLAC_INFO, b"\x04", len(FLAC_TAGS).to_bytes(3, "big"), FLAC_TAGS, b"\x81\0\0\2ab")
)


@functools.cache
def records() -> tuple[dict[str, Any], ...]:
    """Sound transfer records of the test cases: simple, several passes, mixed emphasis, no audio."""
    names = ("plain-14-bit-625", "case-03-several-passes", "case-04-emphasis-changes", "case-10-blank-tape")
    folder = TESTS / "cases" / "records" / "valid"
    return tuple(json.loads((folder / f"{name}.json").read_bytes()) for name in names)


def as_bytes(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False).encode()


def parts(*pieces: bytes) -> bytes:
    return PART.join(pieces)


def chained(entries: Iterable[dict[str, Any]]) -> bytes:
    """Entries as the lines of a ledger."""
    out, previous = b"", "0" * 128
    for n, entry in enumerate(entries, 1):
        full = {**entry, "n": n, "previous": previous}
        line = json.dumps(full, sort_keys=True, separators=(",", ":")).encode()
        previous = hashlib.sha512(line).hexdigest()
        out += line + b"\n"
    return out


def ledger() -> bytes:
    common = {"schema_version": "1.2.0", "at": "2026-06-10T09:00:00+02:00", "tool": "provpack",
              "package": "J_T", "tagmanifest_sha512": "ab" * 64, "carrier_id": "C1", "outcome": "good",
              "depth": "bytes", "happened_at": "2026-06-09", "equipment_id": "D1", "notice_id": "N1",
              "since": "2026-01-01", "delivery_id": "d", "pass_outcome": "no_pcm_found"}  # fmt: skip
    return chained({**common, "kind": kind} for kind in KINDS)


def paper() -> bytes:
    """A receipt for the package of ledger()."""
    found = Found(name="J_T", tagmanifest_sha512="ab" * 64, outcome="good", signature="missing",
                  demands="not_asked", as_noted=True,
                  findings={"error": 0, "warning": 0, "note": 0})  # fmt: skip
    made_by = {"tool": "provpack", "version": "0.1.0", "at": "2026-07-01T09:00:00+02:00"}
    content = build_receipt(
        receipt_id="0f8fad5b-d9cb-469f-a165-70867728950e", made_by=made_by, name="N", organisation=None,
        note=None, note_sha512=None, depth="bytes", packages=[found], note_signature="missing",
        conclusion="accepted", remarks=None, signer=None,
    )  # fmt: skip
    return document_bytes(content)


HEAD = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
OLD_HEAD = b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-16\n"
INFO = build_bag_info(
    [("Source-Organization", "Harbour"), ("Bagging-Date", "2026-06-09"), ("Payload-Oxum", "5.2"),
     ("Bag-Count", "1 of ?"), ("External-Description", "word " * 40)]
)  # fmt: skip
LINES = build_manifest([("data/a b", "ab" * 32), ("data/100%\n", "cd" * 32), ("data/ä/x", "ef" * 32)])
TAGS = build_manifest([("bagit.txt", "ab" * 32), ("manifest-sha256.txt", "cd" * 32)])
FETCH = b"https://host.example/a 12 data/a b\nhttps://host.example/b - data/c\n"
NAMES = (
    b"fbagit.txt\nfmanifest-sha256.txt\nftagmanifest-sha256.txt\ndata\nfdata/a b\nldata/l\nuother\nddata/e"
)
FILES = [("bagit.txt", HEAD), ("data/a", b"audio"), ("data/" + "n" * 120, b""), ("data/ä", b"x" * 600)]


def harvested() -> bytes:
    body = as_bytes(records()[0])
    lines = build_manifest(
        [(layout.RECORD, hashlib.sha256(body).hexdigest()), ("data/master/a.wav", "ab" * 32)]
    )
    tags = build_manifest([("manifest-sha256.txt", hashlib.sha256(lines).hexdigest())])
    return parts(HEAD, lines, tags, INFO, body)


def keys() -> list[bytes]:
    from cryptography.hazmat.primitives import serialization as form

    key = key_of_seed(7)
    private = key._private
    lock = form.BestAvailableEncryption(b"correct horse")
    ssh = form.PrivateFormat.OpenSSH.encryption_builder().kdf_rounds(1).build(b"correct horse")
    pkcs8 = form.PrivateFormat.PKCS8
    return [
        _key_file(private, key),
        private.private_bytes(form.Encoding.PEM, form.PrivateFormat.OpenSSH, ssh),
        private.private_bytes(form.Encoding.PEM, pkcs8, form.NoEncryption()),
        private.private_bytes(form.Encoding.PEM, pkcs8, lock),
        key.public_line().encode() + b"\n",
    ]


def zips() -> list[bytes]:
    deflated = ZipMember(name=b"b/bagit.txt", data=HEAD * 4, method=8)
    late = ZipMember(name=b"b/data/a", data=b"x" * 30, flags=0x0808, descriptor=b"PK\7\b" + bytes(12))
    return [made("zip", "b", FILES), zip_archive([deflated, ZipMember(name=b"b/data/")]), zip_archive([late])]


def tars() -> list[bytes]:
    long = pax((b"path", b"b/data/" + b"y" * 130), (b"size", b"5")) + tar_entry(b"b/data/y", b"audio")
    gnu = tar_entry(b"././@LongLink", b"b/" + b"z" * 120 + b"\0", b"L", magic=b"ustar  \0")
    link = tar_entry(b"b/l", kind=b"2", link=b"/etc")
    first = tar_entry(b"b/", kind=b"5") + tar_entry(b"b/bagit.txt", HEAD)
    return [made("tar", "b", FILES), first + long + END, first + gnu + tar_entry(b"b/z", b"1") + link + END]


def xml() -> list[bytes]:
    record = records()[3]
    files = record["files"]
    built = (build_premis(record, files=files), build_mets(record, files, others=OTHERS),
             build_audio_object(record, files))  # fmt: skip
    return [one for one in built if one is not None]


def sheets(name: str) -> bytes:
    return (DEMO / name).read_bytes()


def base(name: str) -> bytes:
    return (TESTS / "cases" / "sheets" / "base" / name).read_bytes()


CELLS = (
    ("sampling_frequency", "44100000/1001"), ("started_at", "2026-06-09T09:30:00+02:00"),
    ("condition_terms", "water_mark|pack_uneven"), ("source_bit_depth", "14"), ("recorded_date", "1984-05"),
    ("tape_emphasis", "on"), ("condition_assessed_at", "2026-06-08"), ("title", "Nocturne"),
)  # fmt: skip
OBJECTS = [
    {"name": "bucket/b/bagit.txt", "size": 55, "type": "file", "ETag": "x"},
    {"name": "bucket/b/data/", "size": 0, "type": "directory"},
    {"name": "bucket/b/data/a.wav", "size": 5, "type": "file", "LastModified": "y"},
]  # fmt: skip
PAGE = b'<html><body><a href="bagit.txt">b</a><a href="data/">d</a><a href="../">u</a><a href="?C=N">n</a>'


def sound() -> dict[str, list[bytes]]:
    """Seeds of the readers of sound files."""
    return {
        "chunks_walk": WAVES, "chunks_embedded": [*WAVES, FLAC], "master_plan": WAVES, "frames": PLAIN,
        "bext": [BEXT], "coding_history": [format_history(ROWS).encode()], "cue": [build_cue(MARKS)],
        "adtl": [parts(build_cue(MARKS), build_adtl(MARKS))], "axml": [AXML, IXML],
        "info": [build_info([("INAM", "abc"), ("ICMT", "d")])], "ixml": [parts(IXML, BEXT)], "chna": [CHNA],
        "fmt": [FMT, EXTENSIBLE], "flac_tags": [FLAC], "sound_facts": [FLAC, *PLAIN],
    }  # fmt: skip


def bags() -> dict[str, list[bytes]]:
    """Seeds of the readers of bags."""
    blocks = as_bytes(digests_of("data/m.wav", *wave(250), 250))
    other = as_bytes(
        document(bag_info={"A": {"required": True, "values": ["x*", "y"]}}, tag_files_allowed=["meta/*"])
    )
    needs = as_bytes(requirements(bag_info={"Contact-Name": "{carrier_id} of {client_item_id}"}))
    clients = [p.read_bytes() for p in sorted((DEMO / "clients").glob("*.json"))]
    return {
        "bagit_txt": [HEAD, OLD_HEAD], "bag_manifest": [parts(HEAD, LINES), parts(OLD_HEAD, LINES)],
        "bag_fetch": [parts(HEAD, FETCH)], "bag_info": [parts(HEAD, INFO), parts(OLD_HEAD, INFO)],
        "bag_names": [b"data/a/./b", "data/ä ".encode(), b"\xff/con"],
        "bag_structure": [parts(HEAD, LINES, TAGS, INFO, FETCH, NAMES),
                          parts(OLD_HEAD, LINES, TAGS, INFO, b"", NAMES)],
        "bag_profile": [as_bytes(document()), other, *clients],
        "client_needs": [parts(c, as_bytes(records()[0])) for c in (needs, *clients)],
        "archive_tar": tars(), "archive_zip": zips(), "block_digests": [blocks],
        "checksums": [b"ab" * 64 + b"  papers/a.txt\n"], "harvested_package": [harvested()],
    }  # fmt: skip


def papers() -> dict[str, list[bytes]]:
    """Seeds of the readers of papers."""
    key = key_of_seed(7)
    lines = (("a@b.example", ("provpack-package", "x")), ("c", ()))
    signers = "\n".join(signer_line(who, key.public_line(), what) for who, what in lines).encode()
    dated = (
        b'*@b.example,!z valid-after="20260101Z",valid-before="202701011200" ' + key.public_line().encode()
    )
    blocks = as_bytes(digests_of("data/m.wav", *wave(250), 250))
    every = [as_bytes(r) for r in records()]
    return {
        "ledger": [parts(b"{}", ledger()), parts(ledger().split(b"\n")[2], ledger())],
        "ledger_told": [ledger()], "bench_log": evening(), "bench_fold": evening(),
        "ssh_signature": [key.sign(b"message", "provpack-package")], "ssh_signers": [signers, dated],
        "ssh_key": keys(), "record": every, "record_and_blocks": [parts(every[0], blocks)],
        "documents": [paper(), document_bytes(note(2)), b'{"a": [1, 2.5, null, "b"]}'],
        "receipt": [parts(paper(), ledger())], "premis": xml()[:1],
        "metadata": [parts(xml()[0], xml()[-1], every[0]), parts(xml()[-1], xml()[0], every[0])],
    }  # fmt: skip


def evening() -> list[bytes]:
    """An evening at the bench: every kind of line, lines taken back, and such taken back themselves."""
    more = {"note": "n", "happened_at": at(3)}
    lines = [
        taken_in("T01"), declared("carrier_id", "C1", None, 1), declared("title", ["a", {"b": 1.5}], "x", 1),
        started("T01", 1, "A", 2, settings={"deck_id": "D1"}, changed=["deck_id"], reason="r"),
        event("T01", 1, "dropout", 3, **more), noted("all well", 4, transfer_id="T01"),
        stopped("T01", 1, 5, note="n"),
        attached("T01", 1, "a.wav", 6), judged("T01", 1, "use", 7), back(5, 8), back(10, 9), noted("late", 9),
        detached("T01", 1, "a.wav", 10), started("T01", 2, "A", 11), taken_in("T02", 12), back(4, 13),
    ]  # fmt: skip
    whole = chained(lines)
    forged = whole.replace(b"all well", b"not well")
    return [whole, forged, whole[:-9], chained(lines[:4] * 3)]


def written() -> dict[str, list[bytes]]:
    """Seeds of the readers of sheets, times, options and listings."""
    names = ("job.toml", "transfers.csv", "passes.csv", "equipment.toml", "transfer_events.csv")
    small = [base(n) if (TESTS / "cases/sheets/base" / n).exists() else b"" for n in names]
    return {
        "sheet_csv": [sheets("transfers.csv"), base("transfers.csv")],
        "sheet_cell": [parts(n.encode(), t.encode()) for n, t in CELLS],
        "sheet_toml": [sheets("equipment.toml"), base("job.toml")],
        "sheet_job": [parts(*(sheets(n) for n in names)), parts(*small)],
        "times": [b"2026-06-09T09:30:00+02:00", b"0:01:02.5", b"44100000/1001", b"2026-06-09", b"1984-05~"],
        "options": [b"90 days", b"1.5G", b"0.5%", b"6d", b"2 weeks", b"800k"],
        "file_names": [b"a b.wav\nA_B.WAV\ncon", "ärger.tar.gz\n../x".encode()],
        "addresses": [b"s3://k:s@bucket/b?x=1#y", b"file:///C:/b%20c", b"https://host.example/a b"],
        "listing_s3": [as_bytes(OBJECTS)], "listing_web": [PAGE],
    }  # fmt: skip


@functools.cache
def seeds() -> dict[str, list[bytes]]:
    """All seeds by the name of their target."""
    return {**sound(), **bags(), **papers(), **written()}


def reference_seeds(name: str) -> list[bytes]:
    """Reference files that fit a target, where they are at hand; they never enter the corpus."""
    ends = {"chunks_walk": ".wav", "chunks_embedded": ".wav", "master_plan": ".wav", "frames": ".wav",
            "flac_tags": ".flac", "sound_facts": ".flac", "bag_profile": "profile.json"}  # fmt: skip
    if name not in ends or not REFERENCE.is_dir():
        return []
    found = sorted(
        p for p in REFERENCE.rglob(f"*{ends[name]}") if p.is_file() and p.stat().st_size <= LARGEST
    )
    return [p.read_bytes() for p in found]
