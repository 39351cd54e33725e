"""build_mets: sections, links, files, structural maps. Source: mets.xsd 1.12.1, its own documentation of each
attribute; that the schema accepts the whole is tested in tests/interop/test_metadata_xsd.py."""

from __future__ import annotations

import posixpath
import re
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.metadata import HOSTILE, OTHERS, RECORDS, hostile, load, rich

from provpack.findings import Rule
from provpack.model.vocab import VOCABULARIES
from provpack.package import layout
from provpack.package.audio_object import build_audio_object
from provpack.package.dublincore import build_dublin_core
from provpack.package.mets import PackedFile, build_mets
from provpack.package.mets_files import location
from provpack.package.mets_time import clock_time, iso_duration
from provpack.package.premis import build_premis
from provpack.xmldoc import parse_untrusted

N = {
    "m": "http://www.loc.gov/METS/",
    "p": "http://www.loc.gov/premis/v3",
    "d": "http://purl.org/dc/terms/",
    "a": "http://www.aes.org/audioObject",
}
HREF = "{http://www.w3.org/1999/xlink}href"
NCNAME = re.compile("[A-Za-z][A-Za-z0-9_-]*")


def built(record: dict[str, Any], others: tuple[PackedFile, ...] = OTHERS) -> Any:
    return parse_untrusted(build_mets(record, record["files"], others=others), where="mets.xml")


def plain(element: Any) -> Any:
    """An element as nested values, so that two from different documents can be compared."""
    text = (element.text or "").strip() if len(element) else element.text or ""
    return (element.tag, dict(element.attrib), text, [plain(child) for child in element])


def by_id(root: Any, name: str) -> Any:
    found = [e for e in root.iter() if e.get("ID") == name]
    assert len(found) == 1, name
    return found[0]


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_the_same_record_gives_the_same_bytes(path: Path) -> None:
    record = load(path)
    first = build_mets(record, record["files"], others=OTHERS)
    assert first == build_mets(record, record["files"], others=tuple(reversed(OTHERS)))


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_every_reference_inside_the_document_is_met(path: Path) -> None:
    root = built(load(path))
    # AES57 gives IDs of its own; all share one space (XML 1.0 section 3.3.1, validity constraint ID)
    ids = [e.get("ID") for e in root.iter() if e.get("ID")]
    assert len(ids) == len(set(ids))
    assert all(NCNAME.fullmatch(name) for name in ids)
    for element in root.iter("{*}file", "{*}div", "{*}digiprovMD", "{*}fptr", "{*}area", "{*}techMD"):
        for key in ("ADMID", "DMDID", "FILEID"):
            assert set((element.get(key) or "").split()) <= set(ids)
    for tag in ("div", "file"):
        for element in root.iter(f"{{{N['m']}}}{tag}"):
            for name in (element.get("ADMID") or "").split():
                assert by_id(root, name).tag.rpartition("}")[2].endswith("MD")


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_the_metadata_in_it_is_that_of_the_other_documents(path: Path) -> None:
    record = load(path)
    root = built(record)
    premis = parse_untrusted(build_premis(record, files=record["files"]), where="premis.xml")
    assert same_entities(root, premis)
    described = parse_untrusted(build_dublin_core(record, record["files"]), where="dc")
    assert plain(by_id(root, "dmdsec-item").find("m:mdWrap/m:xmlData", N)[0]) == plain(described)
    audio = build_audio_object(record, record["files"])
    found = root.findall("m:amdSec/m:techMD/m:mdWrap/m:xmlData/a:audioObject", N)
    assert [plain(e) for e in found] == (
        [] if audio is None else [plain(parse_untrusted(audio, where="audio-object.xml"))]
    )


def same_entities(root: Any, premis: Any) -> bool:
    inside = [plain(e) for e in root.iterfind("m:amdSec/*/m:mdWrap/m:xmlData/p:*", N)]
    wanted = [plain(e) for e in premis]
    return sorted(map(repr, inside)) == sorted(map(repr, wanted))


def test_findings_and_signer_are_told_as_in_premis() -> None:
    record, finding = rich(), Rule(id="x-y", severity="warning", title="t", todo="d.").found("what", "where")
    known: Any = {"findings": (finding,), "signed_by": ("studio@example.org", "SHA256:abc")}
    premis = parse_untrusted(build_premis(record, files=record["files"], **known), where="premis.xml")
    document = build_mets(record, record["files"], others=OTHERS, **known)
    root = parse_untrusted(document, where="mets.xml")
    assert same_entities(root, premis)
    assert by_id(root, "digiprovmd-event-digital-signature-generation-1") is not None
    assert b"x-y" in document


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_every_file_is_there_once_with_size_digest_and_place(path: Path) -> None:
    record = load(path)
    root = built(record)
    # RFC 3986 5.2: a relative reference is resolved against the folder of the document it stands in
    here = posixpath.dirname(layout.METS)
    found = {
        posixpath.normpath(posixpath.join(here, unquote(f.find("m:FLocat", N).get(HREF)))): f
        for f in root.iterfind("m:fileSec/m:fileGrp/m:file", N)
    }
    listed = {f["path"]: f for f in record["files"]}
    assert set(found) == set(listed) | {o.path for o in OTHERS}
    for name, entry in listed.items():
        element = found[name]
        assert element.get("SIZE") == str(entry["bytes"])
        assert element.get("MIMETYPE") == entry["media_type"]
        strong = "sha512" in entry
        assert element.get("CHECKSUM") == entry["sha512" if strong else "sha256"]
        assert element.get("CHECKSUMTYPE") == ("SHA-512" if strong else "SHA-256")
        written = entry["role"] in ("master", "derivative")
        assert element.get("CREATED") == (record["made_by"]["at"] if written else None)
    for other in OTHERS:
        if other.path not in listed:
            assert found[other.path].get("CHECKSUM") == other.sha512
            assert found[other.path].get("SIZE") == str(other.bytes)


def test_files_are_grouped_by_use() -> None:
    record = rich()
    record["files"].append({**record["files"][0], "role": "pass", "path": "data/passes/two.wav"})
    uses = {g.get("USE"): len(g) for g in built(record).iterfind("m:fileSec/m:fileGrp", N)}
    assert list(uses) == ["master", "derivative", "pass", "document", "metadata", "report"]
    assert uses["master"] == uses["pass"] == 1


def test_every_role_a_file_can_have_finds_its_group() -> None:
    record = rich()
    first = record["files"][0]
    for n, role in enumerate(VOCABULARIES["file_role"]):
        record["files"].append({**first, "role": role, "path": f"data/documents/{n}.bin"})
    root = built(record)
    files = root.findall("m:fileSec/m:fileGrp/m:file", N)
    paths = {o.path for o in OTHERS} | {f["path"] for f in record["files"]}
    assert len({f.get("ID") for f in files}) == len(files) == len(paths)
    assert all(NCNAME.fullmatch(f.get("ID")) for f in files)
    said = {f.get("USE") for f in root.iterfind("m:fileSec/m:fileGrp[@USE='document']/m:file", N)}
    assert {"photo", "label_scan", "document", "log", "sidecar"} <= said
    by_id(root, "file-label_scan-1")


def test_a_master_leads_to_its_carrier_its_rights_and_all_that_was_done() -> None:
    root = built(rich())
    names = by_id(root, "file-master-1").get("ADMID").split()
    assert names[:3] == ["techmd-master-1", "techmd-audio-1", "techmd-aes57"]
    assert {"rightsmd-1", "sourcemd-received-1", "sourcemd-carrier"} <= set(names)
    done = {n.removeprefix("digiprovmd-event-") for n in names if n.startswith("digiprovmd-event-")}
    assert {"capture-1", "metadata-modification-1", "message-digest-calculation-1"} <= done
    assert "capture-2" not in done, "a pass that left nothing has no part in the master"
    capture = by_id(root, "digiprovmd-event-capture-1").get("ADMID").split()
    assert {"digiprovmd-agent-deck", "digiprovmd-agent-operator"} <= set(capture)


KINDS = {
    "PREMIS:OBJECT": "object",
    "PREMIS:EVENT": "event",
    "PREMIS:AGENT": "agent",
    "PREMIS:RIGHTS": "rights",
    "DC": "metadata",
    "OTHER": "audioObject",
}
"""MDTYPE (mets.xsd 1.12.1) -> the element that must stand inside; OTHER is AES57 alone."""


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_every_section_holds_what_it_says_and_every_list_of_ids_names_each_once(path: Path) -> None:
    root = built(load(path))
    for wrap in root.iter(f"{{{N['m']}}}mdWrap"):
        inner = wrap.find("m:xmlData", N)
        assert [e.tag.rpartition("}")[2] for e in inner] == [KINDS[wrap.get("MDTYPE")]]
        assert (wrap.get("MDTYPE") == "OTHER") == (wrap.get("OTHERMDTYPE") == "AES57-2011")
    for element in root.iter():
        names = (element.get("ADMID") or "").split()
        assert len(names) == len(set(names))


def test_only_sound_has_rights_and_only_the_master_an_audio_object() -> None:
    root = built(rich())
    derivative, photo = (by_id(root, f"file-{n}-1").get("ADMID").split() for n in ("derivative", "photo"))
    assert "rightsmd-1" in derivative and "techmd-aes57" not in derivative
    assert photo == ["techmd-photo-1", "sourcemd-carrier"]


def test_a_step_that_names_only_the_path_it_wrote_belongs_to_that_file() -> None:
    record = rich()
    steps = record["processing"]["processing_steps"]
    number = next(i for i, s in enumerate(steps, start=1) if s["type"] == "deemphasis")
    steps[number - 1].pop("output_sha256", None)
    steps[number - 1]["output_path"] = "data/derivatives/b-00412_deemphasised.wav"
    names = by_id(built(record), "file-derivative-1").get("ADMID").split()
    assert f"digiprovmd-event-processing-{number}" in names


def test_the_item_is_every_form_of_it_and_the_package_as_a_whole() -> None:
    item = by_id(built(rich()), "div-item")
    assert [f.get("FILEID") for f in item.findall("m:fptr", N)] == ["file-master-1", "file-derivative-1"]
    assert "digiprovmd-event-information-package-creation-1" in item.get("ADMID").split()


def test_the_carrier_has_its_passes_in_order_and_its_photographs() -> None:
    root = built(rich())
    carrier = root.find("m:structMap[@TYPE='physical']/m:div", N)
    assert (carrier.get("TYPE"), carrier.get("LABEL")) == ("carrier", "B-00412")
    passes = carrier.findall("m:div[@TYPE='pass']", N)
    assert [p.get("ORDER") for p in passes] == ["1", "2"]
    assert [f.get("FILEID") for f in passes[0]] == ["file-master-1"]
    assert len(passes[1]) == 0, "that pass left no file"
    papers = carrier.find("m:div[@TYPE='documents']", N)
    assert [f.get("FILEID") for f in papers] == ["file-photo-1"]


def test_an_assembled_master_belongs_to_no_single_pass() -> None:
    record = load(next(p for p in RECORDS if p.stem == "case-03-several-passes"))
    part = {"source_start": 0, "source_end": 9, "target_start": 0, "target_end": 9}
    record["processing"]["assembly"] = [{"pass_n": 1, **part}, {"pass_n": 2, **part}]
    for entry in record["processing"]["passes"]:
        entry["file"] = None
        entry.pop("sha256", None)
    root = built(record)
    carrier = root.find("m:structMap[@TYPE='physical']/m:div", N)
    joined = by_id(root, "div-assembly")
    assert [f.get("FILEID") for f in joined] == ["file-master-1"]
    assert joined.get("LABEL") == "assembled from passes 1, 2"
    assert not carrier.findall("m:fptr[@FILEID='file-master-1']", N)


def test_a_master_no_pass_speaks_of_hangs_on_the_carrier_itself() -> None:
    record = rich()
    record["processing"]["passes"] = []
    carrier = by_id(built(record), "div-carrier")
    assert [f.get("FILEID") for f in carrier.findall("m:fptr", N)] == ["file-master-1"]


def test_without_audio_the_maps_stand_and_no_master_is_claimed() -> None:
    record = load(next(p for p in RECORDS if p.stem == "case-10-blank-tape"))
    root = built(record)
    assert root.find("m:fileSec/m:fileGrp[@USE='master']", N) is None
    assert not root.findall(".//m:area", N)
    assert {m.get("TYPE") for m in root.iterfind("m:structMap", N)} == {"physical", "logical"}
    assert by_id(root, "div-pass-1") is not None
    assert not root.findall(".//a:audioObject", N)


def test_without_any_file_there_is_no_file_section() -> None:
    record = load(next(p for p in RECORDS if p.stem == "case-10-blank-tape")) | {"files": []}
    assert built(record, ()).find("m:fileSec", N) is None  # fileGrp 1..n in mets.xsd


def test_segments_are_areas_whose_times_give_the_frames_back() -> None:
    record = rich()
    rate = Fraction(44100000, 1001)
    root = built(record)
    for number, segment in enumerate(record["item"]["programme_segments"], start=1):
        div = by_id(root, f"div-segment-{number}")
        assert (div.get("LABEL"), div.get("ORDER")) == (segment["title"], str(number))
        areas = div.findall("m:fptr/m:area", N)
        assert [a.get("FILEID") for a in areas] == ["file-master-1", "file-derivative-1"]
        for area in areas:
            assert area.get("BETYPE") == "TIME"
            assert frame(area.get("BEGIN"), rate) == segment["start"]
            assert frame(area.get("END"), rate) == segment["end"]
            wanted = f"frames {segment['start']} to {segment['end']}, end not included, at 44100000/1001 Hz"
            assert area.get("LABEL") == wanted


def frame(said: str, rate: Fraction) -> int:
    hours, minutes, seconds = said.split(":")
    return round((int(hours) * 3600 + int(minutes) * 60 + Fraction(seconds)) * rate)


@pytest.mark.parametrize("step", ["trim", "resample", "relabel", "edit", "encoding", None])
def test_a_derivative_on_another_time_line_gets_no_times(step: str | None) -> None:
    record = rich()
    for entry in record["processing"]["processing_steps"]:
        if entry["type"] == "deemphasis":
            entry["type"] = step or "deemphasis"
            if step is None:  # nothing says which step made it
                entry.pop("output_sha256", None)
                entry.pop("output_path", None)
    div = by_id(built(record), "div-segment-1")
    assert [a.get("FILEID") for a in div.findall("m:fptr/m:area", N)] == ["file-master-1"]


def test_where_one_source_carrier_begins_the_one_before_ends() -> None:
    record = rich()
    other = "00000000-0000-4000-8000-000000000002"
    record["item"]["source_items"] = [
        {"order": 1, "client_item_id": "A", "join_frame": 0},
        {"order": 2, "client_item_id": "B", "join_frame": 44100, "record_id": other},
        {"order": 3, "client_item_id": "C"},
        {"order": 4, "client_item_id": "D", "record_id": record["record_id"]},
    ]
    root = built(record)
    first, second, third = (by_id(root, f"div-source-{n}") for n in (1, 2, 3))
    assert first.find("m:fptr/m:area", N).get("LABEL").startswith("frames 0 to 44100, end not included")
    assert second.find("m:fptr/m:area", N).get("END") is None
    assert second.find("m:mptr", N).get(HREF) == f"urn:uuid:{other}"
    assert len(third) == 0, "nobody says where it is in this file"
    assert len(by_id(root, "div-source-4")) == 0, "a document does not point at itself"


@pytest.mark.parametrize("name", HOSTILE)
def test_hard_texts_are_written_and_read_back(name: str) -> None:
    record = hostile(rich(), HOSTILE[name])
    root = built(record)
    # XML 1.0 section 2.2: characters that cannot stand in a document at all
    wanted = re.sub("[^\\t\\n\\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", HOSTILE[name])
    assert root.get("LABEL") == wanted
    assert by_id(root, "div-segment-1").get("LABEL") == wanted


def test_the_header_says_who_and_when() -> None:
    record = rich()
    header = built(record).find("m:metsHdr", N)
    assert datetime.fromisoformat(header.get("CREATEDATE")) == datetime.fromisoformat(record["made_by"]["at"])
    agents = header.findall("m:agent", N)
    assert [(a.get("ROLE"), a.get("TYPE"), a.get("OTHERTYPE")) for a in agents] == [
        ("CREATOR", "ORGANIZATION", None),
        ("CREATOR", "OTHER", "SOFTWARE"),
    ]
    assert agents[0].findtext("m:name", namespaces=N) == record["people"]["transfer_organisation"]
    assert {a.get("TYPE"): a.text for a in header.iterfind("m:altRecordID", N)}["transfer"] == "T-07"


@pytest.mark.parametrize("at", ["2031-05-20", "2016-12-31T23:59:60+00:00", None])
def test_a_date_that_is_no_xml_date_stays_out(at: str | None) -> None:
    record = rich()
    record["made_by"]["at"] = at
    root = built(record)
    assert root.find("m:metsHdr", N).get("CREATEDATE") is None
    assert by_id(root, "file-master-1").get("CREATED") is None


@given(
    st.integers(0, 2**40),
    st.sampled_from([Fraction(44100000, 1001), Fraction(44100), Fraction(192000), Fraction(32000, 7)]),
)
def test_times_are_exact_to_the_frame(position: int, rate: Fraction) -> None:
    assert frame(clock_time(position, rate), rate) == position


def test_times_by_hand() -> None:
    assert clock_time(0, Fraction(44100)) == "00:00:00.000000"
    assert clock_time(44100 * 360000, Fraction(44100)) == "100:00:00.000000"
    # 44100000 frames at 44100000/1001 Hz are exactly 1001 seconds
    assert clock_time(44100000, Fraction(44100000, 1001)) == "00:16:41.000000"
    assert iso_duration(44100000, Fraction(44100000, 1001)) == "PT0H16M41S"
    assert iso_duration(66150, Fraction(44100)) == "PT0H0M1.5S"


def test_locations_by_hand() -> None:
    assert location("data/metadata/record.json") == "record.json"
    assert location("data/master/a.wav") == "../master/a.wav"
    assert location("bagit.txt") == "../../bagit.txt"
    assert location("data/metadata/more/a b%.json") == "more/a%20b%25.json"
