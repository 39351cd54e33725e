"""PREMIS: which machines and programs are linked to which event, and the events of checking, signing, holding
back. Source of the shapes: PREMIS Data Dictionary 3.0, 2.6 and 3; event terms: id.loc.gov, eventType. What is
claimed of a pass on another chain is a decision of ours: only what the pass itself names."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from provpack.findings import Finding
from provpack.package.premis import build_premis, check_premis
from provpack.package.premis_terms import PREMIS, is_backwards, is_date
from provpack.xmldoc import parse_untrusted

HERE = Path(__file__).resolve()
RECORDS = HERE.parents[1] / "report" / "records"
CASES = HERE.parents[2] / "cases" / "records" / "valid"
N = {"p": PREMIS}
BASE = "http://id.loc.gov/vocabulary/preservation/eventType"


@pytest.fixture
def full() -> dict[str, Any]:
    data: dict[str, Any] = json.loads((RECORDS / "pcm-14-bit.json").read_text(encoding="utf-8"))
    return data


def built(record: dict[str, Any], **more: Any) -> Any:
    document = build_premis(record, files=record["files"], **more)
    assert check_premis(document) == ()
    return parse_untrusted(document, where="test")


def entity(root: Any, kind: str, name: str) -> Any:
    hits = [
        e
        for e in root.findall(f"p:{kind}", N)
        if e.findtext(f"p:{kind}Identifier/p:{kind}IdentifierValue", namespaces=N).endswith(f"/{kind}/{name}")
    ]
    return hits[0] if hits else None


def linked(root: Any, event: str) -> dict[str, str]:
    """Agent name -> role, of an event."""
    return {
        link.findtext("p:linkingAgentIdentifierValue", namespaces=N).rpartition("/")[2]: link.findtext(
            "p:linkingAgentRole", namespaces=N
        )
        for link in entity(root, "event", event).iterfind("p:linkingAgentIdentifier", N)
    }


def note(root: Any, event: str) -> str:
    return str(entity(root, "event", event).findtext(".//p:eventOutcomeDetailNote", namespaces=N))


def outcome(root: Any, event: str) -> str:
    return str(entity(root, "event", event).findtext(".//p:eventOutcome", namespaces=N))


def test_a_pass_on_another_deck_keeps_the_machines_it_names_itself() -> None:
    record = json.loads((CASES / "case-03-several-passes.json").read_text(encoding="utf-8"))
    root = built(record)
    assert linked(root, "capture-1") == {
        "deck": "playback deck",
        "decoder": "decoder",
        "digital-output-board": "digital output board",
        "interface": "interface",
        "capture-device": "capture device",
        "capture-software": "executing program",
        "operator": "implementer",
    }
    # The second pass names deck-b, and the decoder and capture device of the record; no interface.
    assert linked(root, "capture-2") == {
        "deck-1": "playback deck",
        "decoder": "decoder",
        "digital-output-board": "digital output board",
        "capture-device": "capture device",
        "capture-software": "executing program",
        "operator": "implementer",
    }
    board = entity(root, "agent", "digital-output-board")
    assert board.findtext("p:agentName", namespaces=N) == "Merel board, revision C, test 17"


def test_of_machines_the_record_does_not_describe_only_the_identifier_is_known() -> None:
    record = json.loads((CASES / "case-10-blank-tape.json").read_text(encoding="utf-8"))
    root = built(record)
    assert set(linked(root, "capture-1")) == {"deck", "decoder-1", "capture-device-1", "operator"}
    decoder = entity(root, "agent", "decoder-1")
    assert decoder.findtext("p:agentName", namespaces=N) == "dec-1"
    assert [n.text for n in decoder.iterfind("p:agentNote", N)] == [
        "role: decoder",
        "known by its equipment identifier only",
    ]


def test_the_capture_software_belongs_to_captures_and_not_to_the_chain_check(full: dict[str, Any]) -> None:
    root = built(full)
    assert "capture-software" in linked(root, "capture-1")
    assert "capture-software" not in linked(root, "capture-2"), "another chain"
    assert set(linked(root, "chain-check-1")) == {
        "deck",
        "decoder",
        "digital-output-board",
        "interface",
        "capture-device",
    }


def test_a_pass_on_another_chain_that_names_no_machine_has_none(full: dict[str, Any]) -> None:
    full["processing"]["passes"][1] = {"n": 2, "chain_id": "chain-b", "outcome": "failed", "file": None}
    assert set(linked(built(full), "capture-2")) == {"operator"}
    full["processing"]["passes"][1]["deck_id"] = "D2"
    assert set(linked(built(full), "capture-2")) == {"deck", "operator"}, "it names the record's own deck"


def test_one_machine_in_two_parts_has_its_identifier_once(full: dict[str, Any]) -> None:
    # Domain note, source REV82: recorders with the adaptor built in exist; deck and decoder are one machine.
    full["decoder"]["decoder_id"] = full["deck"]["deck_id"]
    full["processing"]["passes"][1]["decoder_id"] = "D5"
    root = built(full)
    kinds = [
        e.findtext("p:agentIdentifierValue", namespaces=N)
        for e in root.iterfind("p:agent/p:agentIdentifier", N)
        if e.findtext("p:agentIdentifierType", namespaces=N) == "equipment identifier"
    ]
    assert kinds == ["D2", "C1", "BRD-4", "FW-2", "D5"]
    notes = [n.text for n in entity(root, "agent", "decoder").iterfind("p:agentNote", N)]
    assert "the same machine as deck: equipment identifier D2" in notes


def test_a_period_that_contradicts_itself_is_its_beginning(full: dict[str, Any]) -> None:
    full["condition"]["treatments"][0].update(start="2031-05-04", end="2031-05-02")
    full["processing"]["passes"][0]["stopped_at"] = "2031-05-05T09:00:00+02:00"
    root = built(full)
    for name, when in (("treatment-1", "2031-05-04"), ("capture-1", "2031-05-05T10:00:00+02:00")):
        assert entity(root, "event", name).findtext("p:eventDateTime", namespaces=N) == when


def test_a_factory_output_is_no_board(full: dict[str, Any]) -> None:
    full["decoder"]["digital_output"] = "factory"
    assert entity(built(full), "agent", "digital-output-board") is None


def finding(rule: str, severity: Any) -> Finding:
    return Finding(rule=rule, severity=severity, what="secret name", where="w", todo="t")


def test_validation_tells_the_findings_by_rule_and_nothing_else(full: dict[str, Any]) -> None:
    found = [finding("rec-b", "warning"), finding("rec-a", "warning"), finding("rec-b", "warning")]
    root = built(full, findings=[*found, finding("rec-n", "note")])
    assert note(root, "validation-1").startswith(
        "errors: 0; warnings: 3; notes: 1; rules: rec-a (1), rec-b (2); waived: rule: rec-shared-converter"
    )
    assert outcome(root, "validation-1") == "warning"
    assert "secret name" not in note(root, "validation-1"), "the text of a finding may name persons"


@pytest.mark.parametrize(
    ("findings", "waived", "want", "said"),
    [
        (None, False, "success", "None"),
        ([], False, "success", "errors: 0; warnings: 0; notes: 0"),
        ([finding("a", "note")], False, "success", "errors: 0; warnings: 0; notes: 1"),
        ([finding("a", "error")], False, "fail", "errors: 1; warnings: 0; notes: 0; rules: a (1)"),
    ],
)
def test_not_told_is_not_the_same_as_nothing_found(
    full: dict[str, Any], findings: Any, waived: bool, want: str, said: str
) -> None:
    full["waivers"] = []
    root = built(full, findings=findings)
    assert (outcome(root, "validation-1"), note(root, "validation-1")) == (want, said)


def test_signing_is_an_event_with_the_key(full: dict[str, Any]) -> None:
    assert entity(built(full), "event", "digital-signature-generation-1") is None
    root = built(full, signed_by=("studio@breakwater.example", "SHA256:abc"))
    event = entity(root, "event", "digital-signature-generation-1")
    assert event.find("p:eventType", N).get("valueURI") == f"{BASE}/dsg"
    detail = event.findtext(".//p:eventDetail", namespaces=N)
    assert "provpack-package" in detail and "SHA256:abc" in detail
    agent = entity(root, "agent", "signer")
    assert agent.findtext("p:agentName", namespaces=N) == "studio@breakwater.example"
    assert agent.find("p:agentType", N) is None, "a person or an office: nobody said"


def test_names_held_back_are_a_redaction(full: dict[str, Any]) -> None:
    entry = {"label": "[person 1]", "roles": ["/people/operator"], "commitment_sha256": "0" * 64}
    full["held_back"] = [entry] * 60
    root = built(full)
    event = entity(root, "event", "redaction-1")
    assert event.find("p:eventType", N).get("valueURI") == f"{BASE}/red"
    assert event.findtext(".//p:eventDetail", namespaces=N).startswith("names held back: 60, in the record")
    assert note(root, "redaction-1").endswith("and 10 more, see record.json")
    assert event.find("p:linkingObjectIdentifier", N) is None, "the sound is not redacted"
    full["held_back"] = []
    assert entity(built(full), "event", "redaction-1") is None


def test_digests_are_told_of_every_audio_file(full: dict[str, Any]) -> None:
    event = entity(built(full), "event", "message-digest-calculation-1")
    names = {e.text.rpartition("/")[2] for e in event.iterfind(".//p:linkingObjectIdentifierValue", N)}
    assert names == {"received-1", "master-1", "audio-1", "derivative-1"}


def test_days_must_be_in_the_calendar() -> None:
    # ISO 8601-1 (Gregorian calendar): 2032 is a leap year, 2031 and 1900 are none.
    assert is_date("2032-02-29") and is_date("2032-02-29T10:00:00Z/2032-03-01T10:00:00Z")
    for bad in ("2031-02-29", "1900-02-29", "2031-04-31T10:00:00Z", "2031-01-01/2031-06-31"):
        assert not is_date(bad), bad
    assert is_date("2031-02-XX") and is_date("20XX")
    assert is_date("0000-02-29"), "year 0 of ISO 8601 is a leap year"


def test_a_period_must_not_end_before_it_begins() -> None:
    assert is_backwards("2031-05-06/2031-05-05")
    assert is_backwards("2031-05-05T10:00:00+02:00/2031-05-05T07:59:59Z")
    for good in (
        "2031-05-05/2031-05-05",
        "2031-05-05T10:00:00+02:00/2031-05-05T08:00:00Z",
        "2031-05-05T10:00:00/2031-05-05T08:00:00",  # no zones: they may differ
        "2031-05-05/2031-05-04T10:00:00Z",
        "2031-05/2030",
        "2031-05-05/..",
    ):
        assert not is_backwards(good), good


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("/2031-05-05T10:14:40+02:00</premis:event", "/2031-05-05T09:14:40+02:00</premis:event",
         "premis-interval"),
        ("<premis:rightsBasis ", "<premis:licenseNote ", "premis-element-missing"),
        ("<premis:otherRightsBasis>owner</premis:otherRightsBasis>", "", "premis-element-missing"),
        ("<premis:eventDateTime>2031-05-06T16:38:00+02:00</premis:eventDateTime>", "",
         "premis-element-missing"),
    ],
)  # fmt: skip
def test_check_finds_what_a_strict_reader_would_refuse(
    full: dict[str, Any], old: str, new: str, rule: str
) -> None:
    document = build_premis(full, files=full["files"]).decode("utf-8")
    assert old in document
    broken = document.replace(old, new, 1)
    if "licenseNote" in new:
        broken = broken.replace("</premis:rightsBasis>", "</premis:licenseNote>", 1)
    assert [f.rule for f in check_premis(broken.encode("utf-8"))] == [rule]


def test_a_derivative_that_claims_the_embedding_step_links_to_no_missing_event(full: dict[str, Any]) -> None:
    step = {"type": "metadata_modification", "tool": "provpack", "at": None}
    digest = full["files"][1]["audio_sha256"]
    full["processing"]["processing_steps"] = [{**step, "output_sha256": digest}]
    derivative = entity(built(full), "object", "derivative-1")
    assert derivative.find(".//p:relatedEventIdentifier", N) is None


def test_what_nobody_judged_has_no_outcome(full: dict[str, Any]) -> None:
    full["derived_from"] = {"agent": "Port Ellery Museum", "audio_changed": "unknown", "note": "n"}
    root = built(full)
    assert outcome(root, "treatment-1") == "unknown"
    assert outcome(root, "modification-before-receipt-1") == "unknown"
