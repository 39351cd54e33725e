"""Judgements on a package by programs and libraries that are not ours; every one asserts.

Who reads what was measured on ffmpeg 5.1, libsndfile 1.2.0, sox 14.4.2, exiftool 12.57, mediainfo 23.04.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from support.strangers import Made, Riff, Tool, run, strict_riff

METADATA = "data/metadata"
# EBU R 98 has no key for emphasis; what T= must say is our own promise (design: emphasis state per row).
FILE_EMPHASIS = {
    "present": "emphasis in this file: present (not de-emphasised)",
    "absent": "emphasis in this file: absent",
    "mixed": "emphasis in this file: present in parts",
    "unknown": "emphasis in this file: unknown",
}
TAPE_EMPHASIS = {
    "on": "pre-emphasis 50/15 us: on",
    "off": "pre-emphasis 50/15 us: off",
    "mixed": "pre-emphasis 50/15 us: changes within the tape",
    "unknown": "pre-emphasis 50/15 us: unknown",
    "not_applicable": "pre-emphasis 50/15 us: not applicable",
}
INFO_IN_EXIFTOOL = {
    "RIFF:Title": ("item", "title"),
    "RIFF:DateCreated": ("item", "recorded_date"),
    "RIFF:Medium": ("carrier", "carrier_type"),
}


def metadata(package: Path, name: str) -> Any:
    return json.loads((package / METADATA / name).read_bytes())


def ascii_of(text: str) -> str:
    """The few spellings the demo needs; Latin-1 letters lose their accents."""
    return text.translate(str.maketrans("üéèö", "ueeo"))


def check_sums(package: Path, tool: Tool) -> None:
    """Stock tools, run in the base directory (RFC 8493, 2.1.3), and openssl against a few lines."""
    for algorithm in ("sha512", "sha256"):
        for kind in ("manifest", "tagmanifest"):
            name = f"{kind}-{algorithm}.txt"
            lines = (package / name).read_text("ascii").splitlines()
            told = run(tool(f"{algorithm}sum"), "-c", name, cwd=package).decode()
            assert told.splitlines() == [f"{line.split('  ', 1)[1]}: OK" for line in lines]
            for line in lines[:2]:
                digest, path = line.split("  ", 1)
                answer = run(tool("openssl"), "dgst", f"-{algorithm}", path, cwd=package).decode()
                assert answer.rpartition("= ")[2].strip() == digest


def check_bag(package: Path) -> None:
    """The bagit library, all digests; and every file of the package is under some manifest's eye."""
    import bagit

    bag = bagit.Bag(str(package))
    assert bag.validate()
    assert bag.version_info == (1, 0)
    payload = {str(p.relative_to(package)) for p in (package / "data").rglob("*") if p.is_file()}
    assert {*bag.payload_entries()} == payload
    tags = {p.name for p in package.iterdir() if p.is_file() and not p.name.startswith("tagmanifest-")}
    assert {k for k in bag.entries if not k.startswith("data/")} == tags


def check_schemas(package: Path) -> None:
    """A validator of another make (Rust), with format checks of its own, against our published schemas."""
    import jsonschema_rs

    from provpack.edge.schemas import bundled

    names = {
        "record.json": "transfer-record",
        "measurements.json": "measurements",
        "block-digests.json": "block-digests",
    }
    there = {p.name for p in (package / METADATA).glob("*.json")}
    assert there == (set(names) if (package / "data" / "master").is_dir() else {"record.json"})
    for file in there:
        validator = jsonschema_rs.validator_for(bundled(names[file]), validate_formats=True)
        found = metadata(package, file)
        assert [e.message for e in validator.iter_errors(found)] == []
        assert not validator.is_valid({**found, "schema_version": 7})


def check_premis(documents: Mapping[str, bytes], folder: Path, reference: Path, tool: Tool) -> None:
    """premis-v3-0.xsd of the Library of Congress, by xmllint without network, and by lxml."""
    from lxml import etree

    schema = reference / "xsd" / "premis" / "premis-v3-0.xsd"
    paths = []
    for name, document in documents.items():
        paths.append(folder / f"{name}.xml")
        paths[-1].write_bytes(document)
    env = {**os.environ, "XML_CATALOG_FILES": str(reference / "xsd" / "catalog.xml")}
    run(tool("xmllint"), "--noout", "--nonet", "--schema", schema, *paths, env=env)
    judge = etree.XMLSchema(file=str(schema))
    for document in documents.values():
        assert judge.validate(etree.fromstring(document)), judge.error_log


def check_audio_alone(package: Path) -> None:
    """Essence and some blocks by tail, head and sha256sum, as the block digests say."""
    said = metadata(package, "block-digests.json")
    step, count = said["block_frames"] * said["frame_bytes"], len(said["blocks"])
    wanted = [(said["audio_offset"], said["audio_bytes"], said["audio_sha256"])]
    for n in sorted({0, 1, count // 2, count - 1} & set(range(count))):
        start = n * step
        wanted.append(
            (said["audio_offset"] + start, min(step, said["audio_bytes"] - start), said["blocks"][n])
        )
    script = "; ".join(f"tail -c +{o + 1} '{said['file']}' | head -c {n} | sha256sum" for o, n, _ in wanted)
    told = run("sh", "-c", script, cwd=package).decode().splitlines()
    assert [line.split()[0] for line in told] == [digest for _, _, digest in wanted]
    assert count == -(-said["audio_bytes"] // step)
    assert metadata(package, "record.json")["audio_sha256"] == said["audio_sha256"]


def check_received(made: Made, riff: Riff) -> None:
    """Head + audio + tail is the received file, bit for bit."""
    papers = made.package / "data" / "documents"
    parts = [riff.one(b"data").body]
    for name, place in (("received-head.bin", 0), ("received-tail.bin", len(parts))):
        if (papers / name).is_file():
            parts.insert(place if name == "received-head.bin" else len(parts), (papers / name).read_bytes())
    whole = b"".join(parts)
    assert whole == made.received
    (entry,) = [f for f in metadata(made.package, "record.json")["files"] if f["role"] == "master"]
    assert entry["original_sha256"] == hashlib.sha256(whole).hexdigest()
    assert entry["original_bytes"] == len(whole)


def check_recovered(made: Made) -> dict[str, Any]:
    """The record out of the master alone: record.json but for `files`."""
    from provpack.chunks.source import BytesSource
    from provpack.jobs.recover import record_of

    data = record_of(BytesSource(made.master.read_bytes()))
    assert data is not None
    inside: dict[str, Any] = json.loads(data)
    outside = metadata(made.package, "record.json")
    assert inside["files"] == []
    for record in (inside, outside):
        record.pop("files")
    cut = [n["field"] for n in inside["derived"][len(outside["derived"]) :]]
    for field in cut:  # a long list is cut to its beginning, and the record says so
        name = field.removeprefix("/measured/")
        short, whole = inside["measured"][name], outside["measured"][name]
        assert len(short) < len(whole) and whole[: len(short)] == short
        inside["measured"][name] = whole
    del inside["derived"][len(outside["derived"]) :]
    assert inside == outside
    return inside


def check_decoded(made: Made, audio: bytes, bits: int, tool: Tool, *, sox: bool = True) -> None:
    """sox and ffmpeg decode the very bytes of the received payload."""
    if sox:
        assert run(tool("sox"), "-D", made.master, "-t", "raw", "-") == audio
    raw = run(tool("ffmpeg"), "-v", "error", "-i", made.master, "-f", f"s{bits}le", "-")
    assert raw == audio


def expected_bext(record: dict[str, Any], file: str) -> dict[str, Any]:
    """bext as the record says it must be (EBU Tech 3285 v2, 2.3), worked out here once more."""
    starts = [p["started_at"] for p in record["processing"]["passes"] if p.get("file") == file]
    start = datetime.fromisoformat(starts[0])
    rate = record["signal"]["sampling_frequency"]
    seconds = start.hour * 3600 + start.minute * 60 + start.second
    return {
        "description": ascii_of(record["item"]["title"]),
        "originator": ascii_of(record["people"]["transfer_organisation"])[:32],
        "reference": record["record_id"].replace("-", ""),
        "date": start.date().isoformat(),
        "time": start.time().isoformat(),
        "time_reference": seconds * rate["num"] // rate["den"],
    }


def check_history(text: str, record: dict[str, Any], received_rows: list[str]) -> None:
    """Oldest first: the tape, what the received file said, the capture; emphasis told in the outer two."""
    assert text.endswith("\r\n")
    rows = text[:-2].split("\r\n")
    assert rows[1:-1] == received_rows
    signal, rate = record["signal"], record["signal"]["header_sampling_frequency_hz"]
    depth = record["carrier"]["source_bit_depth"]
    if record["item"]["source_domain"] == "analogue":
        assert rows[0].startswith("A=ANALOGUE,")
    else:
        assert rows[0].startswith(f"A=PCM,F={rate},W={depth},M=stereo,T=")
    assert TAPE_EMPHASIS[signal["tape_emphasis"]] in rows[0]
    assert rows[-1].startswith(f"A=PCM,F={rate},W={record['capture']['capture_word_length']},M=")
    assert FILE_EMPHASIS[signal["file_emphasis"]] in rows[-1]
    assert text.isascii()
    assert all("," not in row.partition(",T=")[2] for row in rows)


def check_fields(made: Made, file: str, received_rows: list[str], tool: Tool) -> None:
    """exiftool, sndfile-metadata-get, sndfile-info, mediainfo and ffprobe on the embedded fields."""
    record = metadata(made.package, "record.json")
    want = expected_bext(record, file)
    frames, rate = record["measured"]["frames"], record["signal"]["header_sampling_frequency_hz"]
    emphasis = FILE_EMPHASIS[record["signal"]["file_emphasis"]]

    told = json.loads(run(tool("exiftool"), "-j", "-G1", made.master))[0]
    assert not [key for key in told if key.endswith((":Warning", ":Error"))]
    assert told["RIFF:Description"].startswith(want["description"] + "; ")
    assert emphasis in told["RIFF:Description"]
    assert told["RIFF:Originator"] == want["originator"]
    assert told["RIFF:OriginatorReference"] == want["reference"]
    assert told["RIFF:DateTimeOriginal"] == f"{want['date'].replace('-', ':')} {want['time']}"
    assert told["RIFF:TimeReference"] == want["time_reference"]
    assert (told["RIFF:BWFVersion"], told["RIFF:SampleRate"]) == (2, rate)
    for tag, (section, key) in INFO_IN_EXIFTOOL.items():
        said = ascii_of(record[section].get(key) or "")
        said = said.replace("-", ":") if tag == "RIFF:DateCreated" else said
        assert str(told.get(tag, "")) == said, tag
    assert record["record_id"] in told["RIFF:Comment"]
    check_history(told["RIFF:CodingHistory"], record, received_rows)

    text = run(tool("sndfile-metadata-get"), "--all", made.master).decode("ascii")
    fields = dict(re.findall(r"^(.+?) *: *(.*)$", text, re.MULTILINE))
    assert fields["Originator"] == want["originator"]
    assert fields["Origination ref"] == want["reference"]
    assert (fields["Origination date"], fields["Origination time"]) == (want["date"], want["time"])
    # 7FFFh, "not measured" (Tech 3285 v2): this program has no word for it, and must not show 0.
    loudness = [value for name, value in fields.items() if "oudness" in name or name.startswith("Max.")]
    measured = record["measured"]["loudness"]
    named = ("integrated_lufs", "range_lu", "max_true_peak_dbtp", "max_momentary_lufs", "max_short_term_lufs")
    assert loudness == ["327.67" if measured[n] is None else f"{measured[n]:.2f}" for n in named]
    assert told["RIFF:CodingHistory"].replace("\r", "").splitlines()[-1] in text

    info = run(tool("sndfile-info"), made.master).decode("latin-1")
    counts = dict(re.findall(r"^(Sample Rate|Frames|Channels) +: +(\d+)$", info, re.MULTILINE))
    assert (counts["Sample Rate"], counts["Frames"]) == (str(rate), str(frames))

    general, sound = json.loads(run(tool("mediainfo"), "--Output=JSON", made.master))["media"]["track"]
    assert general["Producer"] == want["originator"]
    assert general["extra"]["Producer_Reference"] == want["reference"]
    assert general["Encoded_Date"] == f"{want['date']} {want['time']}"
    assert general["Description"] == told["RIFF:Description"]
    assert general["Encoded_Library_Settings"] == told["RIFF:CodingHistory"][:-2].replace("\r\n", " / ")
    assert (sound["SamplingRate"], sound["SamplingCount"]) == (str(rate), str(frames))
    measured_lufs = record["measured"]["loudness"]["integrated_lufs"]
    assert sound.get("extra", {}).get("LoudnessValue") == (
        None if measured_lufs is None else f"{measured_lufs:.2f}"
    )
    # This program divides the time reference by the header's whole hertz and calls it Delay, in seconds.
    assert abs(float(sound["Delay"]) - want["time_reference"] / rate) < 0.001

    probe = json.loads(run(tool("ffprobe"), "-v", "warning", "-show_format", "-show_streams", "-of", "json",
                           made.master))  # fmt: skip
    stream, tags = probe["streams"][0], probe["format"]["tags"]
    assert (stream["sample_rate"], stream["duration_ts"]) == (str(rate), frames)
    assert tags["time_reference"] == str(want["time_reference"])
    assert tags["coding_history"] == told["RIFF:CodingHistory"]
    assert (tags["originator_reference"], tags["creation_time"]) == (want["reference"], want["time"])


def judge(made: Made, tool: Tool, folder: Path, reference: Path) -> Riff:
    """Everything that holds for any package with audio, whatever was received."""
    check_sums(made.package, tool)
    check_bag(made.package)
    check_schemas(made.package)
    riff = strict_riff(made.master.read_bytes())
    documents = {
        "outside": (made.package / METADATA / "premis.xml").read_bytes(),
        "inside": riff.one(b"axml").body,
    }
    check_premis(documents, folder, reference, tool)
    check_audio_alone(made.package)
    check_received(made, riff)
    check_recovered(made)
    return riff
