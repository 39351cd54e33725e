"""build_premis, check_premis, read_extension. Source of the rules: PREMIS Data Dictionary 3.0 and the Library
of Congress preservation vocabularies (id.loc.gov/vocabulary/preservation)."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from provpack.errors import Bug
from provpack.package.premis import build_premis, check_premis, read_extension
from provpack.package.premis_terms import PREMIS, VOCABULARIES, is_date
from provpack.xmldoc import XmlProblem, parse_untrusted

HERE = Path(__file__).resolve()
OWN = sorted((HERE.parents[1] / "report" / "records").glob("*.json"))
CASES = sorted((HERE.parents[2] / "cases" / "records" / "valid").glob("*.json"))
N = {"p": PREMIS}


def load(path: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return data


@pytest.fixture
def full() -> dict[str, Any]:
    return load(next(p for p in OWN if p.stem == "pcm-14-bit"))


def built(record: dict[str, Any], **more: Any) -> Any:
    return parse_untrusted(build_premis(record, files=record["files"], **more), where="test")


def one(root: Any, path: str) -> str:
    found = root.findall(path, N)
    assert len(found) == 1, f"{path}: {len(found)} found"
    return str(found[0].text)


def entity(root: Any, kind: str, name: str) -> Any:
    """The object, event or agent whose identifier ends in a name."""
    hits = [
        e
        for e in root.findall(f"p:{kind}", N)
        if e.findtext(f"p:{kind}Identifier/p:{kind}IdentifierValue", namespaces=N).endswith(f"/{kind}/{name}")
    ]
    assert len(hits) == 1, f"{kind} {name}: {len(hits)} found"
    return hits[0]


@pytest.mark.parametrize("path", OWN + CASES, ids=lambda p: p.stem)
def test_every_valid_record_gives_a_document_without_findings(path: Path) -> None:
    record = load(path)
    document = build_premis(record, files=record["files"])
    assert check_premis(document) == ()
    assert document == build_premis(record, files=record["files"]), "identifiers must not depend on chance"


def test_the_chain_of_derivation_runs_from_master_to_received_file_to_carrier(full: dict[str, Any]) -> None:
    root = built(full)
    related = "p:relationship/p:relatedObjectIdentifier/p:relatedObjectIdentifierValue"
    event = "p:relationship/p:relatedEventIdentifier/p:relatedEventIdentifierValue"
    master, received = entity(root, "object", "master-1"), entity(root, "object", "received-1")
    assert one(master, related).endswith("/object/received-1")
    assert one(master, event).endswith("/event/metadata-modification-1")
    assert one(received, related).endswith("/object/carrier")
    assert one(received, event).endswith("/event/capture-1")
    assert one(entity(root, "object", "derivative-1"), related).endswith("/object/master-1")


def test_an_assembled_master_names_every_pass_it_takes_frames_from(full: dict[str, Any]) -> None:
    full["processing"]["passes"][0].update(file=None)
    del full["processing"]["passes"][0]["sha256"]
    part = {"source_start": 0, "source_end": 1, "target_start": 0, "target_end": 1}
    full["processing"]["assembly"] = [{"pass_n": 2, **part}, {"pass_n": 2, **part}]
    event = "p:relationship/p:relatedEventIdentifier/p:relatedEventIdentifierValue"
    assert one(entity(built(full), "object", "received-1"), event).endswith("/event/capture-2")


def test_digests_sizes_and_names_stand_where_they_belong(full: dict[str, Any]) -> None:
    root, file = built(full), full["files"][0]
    fixity = {
        f.findtext("p:messageDigestAlgorithm", namespaces=N): f.findtext("p:messageDigest", namespaces=N)
        for f in entity(root, "object", "master-1").iterfind(".//p:fixity", N)
    }
    assert fixity == {"SHA-256": file["sha256"], "SHA-512": file["sha512"]}
    assert one(entity(root, "object", "master-1"), ".//p:size") == str(file["bytes"])
    received = entity(root, "object", "received-1")
    assert one(received, ".//p:messageDigest") == file["original_sha256"]
    assert one(received, "p:originalName") == file["original_name"]
    assert one(entity(root, "object", "audio-1"), ".//p:messageDigest") == full["audio_sha256"]


def test_the_signal_is_told_as_significant_properties(full: dict[str, Any]) -> None:
    said = {
        p.findtext("p:significantPropertiesType", namespaces=N): p.findtext(
            "p:significantPropertiesValue", namespaces=N
        )
        for p in entity(built(full), "object", "master-1").iterfind("p:significantProperties", N)
    }
    assert said["sampling frequency, exact"] == "44100000/1001 Hz"
    assert said["pre-emphasis state of the file"] == "present"
    assert said["coded word length in bits"] == "14"
    assert said["channels"] == "2"


def test_the_carrier_is_a_representation_with_medium_and_identifiers(full: dict[str, Any]) -> None:
    carrier = entity(built(full), "object", "carrier")
    assert carrier.get("{http://www.w3.org/2001/XMLSchema-instance}type") == "premis:representation"
    assert one(carrier, "p:storage/p:storageMedium") == "betamax"
    assert one(carrier, "p:storage/p:contentLocation/p:contentLocationValue") == "B-00412"
    ids = [v.text for v in carrier.iterfind("p:objectIdentifier/p:objectIdentifierValue", N)]
    assert "B-00412" in ids and "HC-1984-113" in ids


def test_events_have_terms_with_authority_dates_and_outcomes(full: dict[str, Any]) -> None:
    root = built(full)
    capture = entity(root, "event", "capture-1")
    kind = capture.find("p:eventType", N)
    assert (kind.text, kind.get("authority"), kind.get("authorityURI"), kind.get("valueURI")) == (
        "capture",
        "eventType",
        "http://id.loc.gov/vocabulary/preservation/eventType",
        "http://id.loc.gov/vocabulary/preservation/eventType/cap",
    )
    assert one(capture, "p:eventDateTime") == "2031-05-05T10:00:00+02:00/2031-05-05T10:14:40+02:00"
    assert one(capture, ".//p:eventOutcome") == "warning"
    assert one(capture, ".//p:eventOutcomeDetailNote") == "partial"
    own = entity(root, "event", "condition-assessment-1").find("p:eventType", N)
    assert own.text == "condition assessment" and own.get("valueURI") is None
    second = entity(root, "event", "capture-2")
    assert one(second, "p:eventDateTime") == "2031-05-05T11:00:00+02:00"
    agents = [a.text for a in second.iterfind(".//p:linkingAgentIdentifierValue", N)]
    assert any(a.endswith("/agent/deck-1") for a in agents), "a pass on another deck names that deck"
    assert not any(a.endswith(("/agent/deck", "/agent/decoder")) for a in agents)
    kinds = {e.text for e in root.iterfind("p:event/p:eventType", N)}
    assert kinds >= {
        "condition assessment",
        "treatment",
        "chain check",
        "capture",
        "message digest calculation",
        "metadata modification",
        "validation",
        "information package creation",
        "policy assignment",
        "custody change",
        "equipment fault notice",
    }


def test_doubts_about_the_equipment_are_numbered_from_one(full: dict[str, Any]) -> None:
    full["equipment_status"] = [
        {"equipment_id": "deck-a", "status": "suspect", "at": "2031-06-02", "note": "guide post"},
        {"equipment_id": "deck-a", "status": "cleared", "at": "2031-06-09", "note": "second pass bit-equal"},
    ]
    root = built(full)
    outcome = "p:eventOutcomeInformation/p:eventOutcome"
    said = [one(entity(root, "event", f"equipment-fault-notice-{n}"), outcome) for n in (1, 2)]
    assert said == ["warning", "success"]


def test_machines_are_hardware_agents_with_their_serial_in_a_note(full: dict[str, Any]) -> None:
    root = built(full)
    for name, label, serial in (
        ("deck", "Orrin & Vale VT-20", "OV20-00318"),
        ("decoder", "Quellmark QP-1", "none visible"),
        ("capture-device", "Brightwater CI-8", "08-2231"),
    ):
        agent = entity(root, "agent", name)
        assert one(agent, "p:agentName") == label
        assert one(agent, "p:agentType") == "hardware"
        assert f"serial number: {serial}" in [n.text for n in agent.iterfind("p:agentNote", N)]
    software = entity(root, "agent", "software")
    assert (one(software, "p:agentName"), one(software, "p:agentVersion")) == ("provpack", "0.1.0")
    assert one(entity(root, "agent", "operator"), "p:agentType") == "person"
    assert one(entity(root, "agent", "client"), "p:agentType") == "organization"


@pytest.mark.parametrize(
    ("basis", "premis", "other"),
    [
        ("owner", "other", "owner"),
        ("statutory", "other", "statutory"),
        ("public_domain", "other", "public_domain"),
        ("unknown", "other", "unknown"),
        ("licensed", "license", None),
    ],
)
def test_rights_never_claim_more_than_the_record(
    full: dict[str, Any], basis: str, premis: str, other: str | None
) -> None:
    full["rights"]["rights_basis"] = basis
    root = built(full)
    assert one(root, ".//p:rightsBasis") == premis
    assert root.findtext(".//p:otherRightsBasis", namespaces=N) == other
    assert root.find(".//p:copyrightInformation", N) is None, "the record has no jurisdiction"


def test_no_decoder_no_master_no_date_leave_gaps_and_no_guesses() -> None:
    record = load(next(p for p in OWN if p.stem == "no-pcm-found"))
    root = built(record)
    names = [
        e.text.rpartition("/")[2]
        for e in root.iterfind("p:agent/p:agentIdentifier/p:agentIdentifierValue", N)
    ]
    assert "decoder" not in names and "deck" in names
    capture = entity(root, "event", "capture-1")
    assert one(capture, "p:eventDateTime") == "XXXX"
    assert one(capture, ".//p:eventOutcome") == "fail"
    kinds = [e.text for e in root.iterfind("p:event/p:eventType", N)]
    assert "condition assessment" not in kinds, "it was not assessed"
    assert "chain check" not in kinds, "the chain was never tested"
    assert "metadata modification" not in kinds
    with pytest.raises(Bug):
        build_premis(record, files=record["files"], extension="{}")


HOSTILE = '{"title": "a]]>b <x> & \\" ü \t \\u0000 \u2028 𝄞",\r\n "n": 1}\n'


def test_the_embedded_record_comes_back_exactly_and_the_master_states_no_digest_of_its_own(
    full: dict[str, Any],
) -> None:
    document = build_premis(full, files=full["files"], extension=HOSTILE)
    assert read_extension(document) == HOSTILE
    root = parse_untrusted(document, where="test")
    assert entity(root, "object", "master-1").find(".//p:fixity", N) is None
    assert entity(root, "object", "received-1").find(".//p:fixity", N) is not None
    assert check_premis(document) == ()


def test_characters_xml_cannot_hold_come_back_with_the_same_meaning(full: dict[str, Any]) -> None:
    # XML 1.0, 2.2: U+FFFE and lone surrogates are no characters. RFC 8259, 7: JSON can escape them.
    text = json.dumps({"t": "\ufffe\ud800x\U0001d11e"}, ensure_ascii=False)
    back = read_extension(build_premis(full, files=full["files"], extension=text))
    assert back is not None and json.loads(back) == json.loads(text)


def test_a_former_document_is_kept_as_a_subtree(full: dict[str, Any]) -> None:
    former = b'<?xml version="1.0"?><a:notes xmlns:a="urn:example:a"><a:n k="1">x &amp; y</a:n></a:notes>'
    root = built(full, extension="{}", merged=former)
    extensions = entity(root, "object", "master-1").findall(".//p:objectCharacteristicsExtension", N)
    assert len(extensions) == 2
    assert extensions[1][0].tag == "{urn:example:a}notes"
    assert extensions[1][0][0].text == "x & y"


def test_a_former_premis_is_kept_as_text_and_its_record_is_not_taken_for_ours(full: dict[str, Any]) -> None:
    former = build_premis(full, files=full["files"], extension='{"old": true}')
    document = build_premis(full, files=full["files"], extension='{"new": true}', merged=former)
    assert read_extension(document) == '{"new": true}'
    assert read_extension(build_premis(full, files=full["files"], merged=former)) is None
    root = parse_untrusted(document, where="test")
    kept = one(root, ".//{urn:provpack:record:1}formerDocument")
    assert kept == former.decode("utf-8")
    assert check_premis(document) == ()


def test_a_broken_former_document_is_refused(full: dict[str, Any]) -> None:
    with pytest.raises(XmlProblem):
        build_premis(full, files=full["files"], merged=b"<a>")


def test_hostile_text_stays_text(full: dict[str, Any]) -> None:
    title = '</premis:originalName><evil/>\x00\x1b[2J"&'
    full["carrier"]["label_transcription"] = title
    root = built(full)
    assert one(entity(root, "object", "carrier"), "p:originalName") == title.replace("\x00", "�").replace(
        "\x1b", "�"
    )
    assert root.find(".//evil") is None


def test_read_extension_of_other_documents_is_none() -> None:
    assert read_extension(b"<x/>") is None
    with pytest.raises(XmlProblem):
        read_extension(b"not xml")


def broken(full: dict[str, Any], old: str, new: str) -> list[str]:
    document = build_premis(full, files=full["files"]).decode("utf-8")
    assert old in document
    return [f.rule for f in check_premis(document.replace(old, new, 1).encode("utf-8"))]


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        (">2031-05-05T10:00:00+02:00/2031", ">yesterday", "premis-date"),
        (">capture</premis:eventType>", ">banana</premis:eventType>", "premis-term-authority"),
        (">condition assessment<", ">banana<", "premis-term"),
        (">hardware</premis:agentType>", ">person</premis:agentType>", "premis-term-authority"),
        (
            "/agent/operator</premis:linkingAgent",
            "/agent/nobody</premis:linkingAgent",
            "premis-dangling-link",
        ),
        ("/event/capture-1</premis:eventId", "/event/capture-2</premis:eventId", "premis-identifier-twice"),
        ('version="3.0"', 'version="2.0"', "premis-not-version-3"),
        ("<premis:premis ", "<premis:premis <", "premis-not-readable"),
    ],
)
def test_check_finds_what_the_schema_lets_through(
    full: dict[str, Any], old: str, new: str, rule: str
) -> None:
    assert rule in broken(full, old, new)


def test_check_finds_a_short_digest_and_a_country_that_is_none(full: dict[str, Any]) -> None:
    assert "premis-digest" in broken(full, full["files"][0]["sha512"], "00")
    other = "<premis:rightsBasis"
    country = "<premis:copyrightJurisdiction>everywhere</premis:copyrightJurisdiction><premis:rightsBasis"
    assert "premis-jurisdiction" in broken(full, other, country)


def test_a_document_full_of_faults_gives_a_bounded_answer() -> None:
    body = b"<event><eventType>banana</eventType></event>" * 100_000
    found = check_premis(b'<premis xmlns="http://www.loc.gov/premis/v3" version="3.0">' + body + b"</premis>")
    assert len(found) == 501 and found[-1].rule == "premis-more-findings"
    assert "99500" in found[-1].what


@pytest.mark.parametrize(
    "good",
    # EDTF (ISO 8601-2, levels 0 and 1) as used by PREMIS 3.0 date units
    [
        "1987",
        "1987-06",
        "1987-06-05",
        "1987~",
        "19XX",
        "XXXX",
        "1987-06-05T20:15:00Z",
        "1987-06-05T20:15:00.5+02:00",
        "1987-06-05/1987-06-06",
        "1987-06-05/",
        "1987-06-05/..",
        "../1987",
    ],
)
def test_dates_that_are_dates(good: str) -> None:
    assert is_date(good)


@pytest.mark.parametrize(
    "bad", ["", "yesterday", "1987-13-01", "05.06.1987", "1987-06-05T25:00:00Z", "1987-06-5", "/"]
)
def test_dates_that_are_none(bad: str) -> None:
    assert not is_date(bad)


def test_the_event_type_list_has_its_fifty_terms() -> None:
    # id.loc.gov/vocabulary/preservation/eventType, copy of November 2024
    assert len(VOCABULARIES["eventType"]) == 50
    assert VOCABULARIES["eventType"]["information package creation"] == "ipc"


def test_building_does_not_change_the_record(full: dict[str, Any]) -> None:
    before = copy.deepcopy(full)
    build_premis(full, files=full["files"])
    assert full == before
