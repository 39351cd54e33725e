"""Whether a derivative may be made, what the record says of it, and what the domain rules say of that."""

from __future__ import annotations

import copy
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.derivatives import AT, RATES, RECORD, derive, ranges, received, record_with, wanted

from provpack.chunks.layout import Format
from provpack.edge.schemas import validate
from provpack.errors import InputProblem, RecordProblem, UsageProblem
from provpack.findings import Finding
from provpack.jobs import deriverules
from provpack.jobs.derive import plan_derivative, refuse_from_sheet, wanted_from
from provpack.jobs.deriveplan import DerivativePlan, Made, Wanted, note_derivative, note_longest, step_entries
from provpack.model.judge_lineage import judge_lineage
from provpack.model.recordview import View
from provpack.package.premis import build_premis, check_premis
from provpack.xmldoc import parse_untrusted

R = RATES[0]
FRAMES = 1000
PARENT = "a" * 64
P = "{http://www.loc.gov/premis/v3}"


def form(bits: int = 16, channels: int = 2, tag: int = 1) -> Format:
    align = channels * bits // 8
    return Format(
        tag=tag, channels=channels, sample_rate=44056, byte_rate=44056 * align, block_align=align,
        bits_per_sample=bits, valid_bits=bits, channel_mask=None, subformat_guid=None,
        encoding="pcm" if tag == 1 else "float",
    )  # fmt: skip


def plan(
    record: dict[str, Any], wish: Wanted | None = None, fmt: Format | None = None, rate: Fraction = R
) -> tuple[DerivativePlan | None, tuple[Finding, ...]]:
    return plan_derivative(record, fmt or form(), rate, FRAMES, wish or wanted(), name="job-1_t01")


def planned(record: dict[str, Any], wish: Wanted | None = None) -> DerivativePlan:
    found = plan(record, wish)[0]
    assert found is not None
    return found


# ---- refusals


def state(tape: str | None, file: str | None, *parts: tuple[int, int, str]) -> dict[str, Any]:
    rows = [{"start": a, "end": b, "emphasis": s} for a, b, s in parts]
    return record_with(signal={"tape_emphasis": tape, "file_emphasis": file, "signal_state_ranges": rows})


STEP = {"type": "deemphasis", "filter": "biquad", "tool": "another program"}
HALF = FRAMES // 2
RANGES = "derive-emphasis-ranges"


@pytest.mark.parametrize(
    ("record", "code", "said"),
    [
        (state("unknown", "unknown"), "derive-emphasis-unknown", "file_emphasis is unknown"),
        (state("on", "unknown"), "derive-emphasis-unknown", "file_emphasis is unknown"),
        (state(None, None), "derive-emphasis-unknown", "file_emphasis is not given"),
        (state("unknown", "present"), "derive-emphasis-unknown", "tape_emphasis is unknown"),
        (state("on", "removed"), "derive-emphasis-removed", "file_emphasis is removed"),
        (record_with(processing={"processing_steps": [STEP]}), "derive-emphasis-removed", "deemphasis"),
        (
            record_with(processing={"processing_steps": [STEP | {"type": "decoder_deemphasis"}]}),
            "derive-emphasis-removed", "decoder_deemphasis",
        ),
        (
            record_with(processing={"processing_steps": [STEP | {"output_sha256": "c" * 64}]}),
            "derive-emphasis-removed", "A step deemphasis",
        ),
        (
            record_with(processing={"passes": [{"n": 1, "file": "a.wav"}],
                                    "processing_steps": [STEP | {"output_path": "a.wav"}]}),
            "derive-emphasis-removed", "A step deemphasis",
        ),
        (state("off", "present"), "derive-emphasis-contradiction", "tape_emphasis is off"),
        (state("on", "mixed"), "derive-emphasis-contradiction", "file_emphasis is mixed"),
        (state("on", "present", (0, 9, "off")), "derive-emphasis-contradiction", "not every stretch"),
        (state("mixed", "mixed"), RANGES, "no stretch"),
        (state("mixed", "mixed", (0, FRAMES, "off")), RANGES, "no stretch"),
        (state("mixed", "mixed", (0, HALF, "on"), (HALF, FRAMES, "unknown")), RANGES, "unknown"),
        (state("mixed", "mixed", (0, HALF, "on"), (HALF + 1, FRAMES, "off")), RANGES, "uncovered"),
        (state("mixed", "mixed", (0, HALF, "on"), (HALF - 1, FRAMES, "off")), RANGES, "before"),
        (state("mixed", "mixed", (HALF, FRAMES, "on"), (0, HALF, "off")), RANGES, "leaving"),
        (state("mixed", "mixed", (0, HALF, "on"), (HALF, HALF, "off")), RANGES, "not after"),
    ],
)  # fmt: skip
def test_refused_from_the_sheet_alone(record: dict[str, Any], code: str, said: str) -> None:
    """Issue: refused when emphasis is unknown or already removed. No audio is needed to say so."""
    for refuse in (lambda: refuse_from_sheet(record, wanted()), lambda: plan(record)):
        with pytest.raises(RecordProblem) as problem:
            refuse()
        assert problem.value.code == code
        assert said in problem.value.what
        assert problem.value.where.startswith("/")
        assert "--derive" in problem.value.todo or "agreement" in problem.value.todo


def test_the_message_names_the_cell_of_the_sheet() -> None:
    with pytest.raises(RecordProblem) as problem:
        refuse_from_sheet(state("on", "removed"), wanted(), lambda pointer: "transfers.csv, row 2")
    assert problem.value.where == "transfers.csv, row 2 (/signal/file_emphasis)"
    refuse_from_sheet(state("on", "removed"), None)  # nothing asked for, nothing said


def test_ranges_that_do_not_reach_the_end_are_refused_once_the_length_is_known() -> None:
    record = state("mixed", "mixed", (0, HALF, "on"), (HALF, FRAMES - 1, "off"))
    refuse_from_sheet(record, wanted())
    with pytest.raises(RecordProblem, match=r"ends at frame 999, but the audio has 1000") as problem:
        plan(record)
    assert problem.value.code == RANGES


@pytest.mark.parametrize(
    ("fmt", "wish", "said"),
    [
        (form(32, tag=3), wanted(), "32-bit float"),
        (form(8), wanted(), "8-bit pcm"),
        (form(32), wanted(), "32-bit pcm"),
        (form(channels=9), wanted(container="flac"), "FLAC holds 8"),
        (form(channels=1), wanted("deskew", late=1), "the file has 1"),
    ],
)
def test_audio_no_derivative_can_be_made_from(fmt: Format, wish: Wanted, said: str) -> None:
    with pytest.raises(InputProblem, match=said) as problem:
        plan(record_with(decoder={"shared_converter": "yes"}), wish, fmt)
    assert problem.value.code == "derive-not-possible"


def test_a_rate_without_pre_emphasis_is_refused() -> None:
    with pytest.raises(InputProblem) as problem:
        plan(RECORD, rate=Fraction(192_000))
    assert problem.value.code == "deemphasis-rate"


@pytest.mark.parametrize("shared", ["unknown", None])
def test_a_skew_nobody_knows_of_is_not_undone(shared: str | None) -> None:
    with pytest.raises(RecordProblem) as problem:
        plan(record_with(decoder={"shared_converter": shared}), wanted("deskew", late=1))
    assert problem.value.code == "derive-skew-unknown"
    done = {"type": "deskew", "tool": "another program"}
    record = record_with(decoder={"shared_converter": "yes"}, processing={"processing_steps": [done]})
    with pytest.raises(RecordProblem, match="listed already"):
        plan(record, wanted("deskew", late=1))


def test_options_that_do_not_go_together() -> None:
    assert wanted_from((), "wav", None) is None
    both = wanted_from(("deemphasis", "deskew"), "flac", "right")
    assert both == wanted("deemphasis", "deskew", container="flac", late=1)
    for kinds, late in ((("deskew",), None), (("deemphasis",), "left"), ((), "left")):
        with pytest.raises(UsageProblem):
            wanted_from(kinds, "wav", late)  # type: ignore[arg-type]


# ---- nothing to do, and what is said beside


def test_no_emphasis_means_no_derivative_and_a_note() -> None:
    made, found = plan(record_with(signal={"tape_emphasis": "off", "file_emphasis": "absent"}))
    assert made is None
    assert [(f.rule, f.severity) for f in found] == [("derive-nothing-to-do", "note")]
    made, found = plan(RECORD, wanted("deemphasis", "deskew", late=1))  # shared_converter is no
    assert made is not None
    assert made.late_channel is None
    assert made.path.endswith("_deemph.wav")
    assert [f.rule for f in found] == ["derive-nothing-to-do"]


def test_a_shared_converter_wants_a_word_about_the_skew() -> None:
    """Domain rule 19, W: said when the derivative is planned, for afterwards it is too late."""
    shared = record_with(decoder={"shared_converter": "yes"})
    assert [f.rule for f in plan(shared)[1]] == ["rec-skew-derivative"]
    assert plan(shared, wanted("deemphasis", "deskew", late=0))[1] == ()
    noted = record_with(decoder={"shared_converter": "yes", "shared_converter_note": "left as it is"})
    assert plan(noted)[1] == ()


def test_whole_tapes_and_parts() -> None:
    whole = planned(RECORD)
    assert [(r.start, r.end, r.on) for r in whole.ranges] == [(0, FRAMES, True)]
    assert whole.file_emphasis == "removed"
    stated = planned(state("on", "present", (0, 9, "on")))  # says nothing new: the whole tape is on
    assert stated.ranges == whole.ranges
    part = planned(record_with(signal=ranges((0, 400, "off"), (400, FRAMES, "on"))))
    assert [(r.start, r.end, r.on) for r in part.ranges] == [(0, 400, False), (400, FRAMES, True)]
    # Domain rule 14 lets `present` stand for a mixed tape of which nothing was removed: the ranges decide.
    assert planned(state("mixed", "present", (0, 400, "off"), (400, FRAMES, "on"))).ranges == part.ranges


# ---- what the record says


def test_steps_are_lawful_and_complete() -> None:
    """schemas/fields.schema.json; domain rule 13 asks for filter, rate and parent digest."""
    record = record_with(
        decoder={"shared_converter": "yes"},
        signal=ranges((0, 100, "on"), (100, 300, "on"), (300, 600, "off"), (600, FRAMES, "on")),
    )
    own = planned(record, wanted("deemphasis", "deskew", late=1))
    steps = step_entries(own, parent=PARENT, made=Made(sha256="b" * 64, clipped=3), at=AT)
    assert [s["type"] for s in steps] == ["deemphasis", "deskew"]
    for step in steps:
        assert step["sampling_frequency"] == {"num": 44_100_000, "den": 1001}
        assert (step["input_sha256"], step["output_sha256"], step["output_path"]) == (
            PARENT,
            "b" * 64,
            own.path,
        )
        assert "FIR" in step["filter"]
        assert len(step["parameters"]["coefficients_sha256_late_channel"]) == 64
        assert step["parameters"]["clipped_samples"] == 3
    assert steps[0]["ranges"] == [
        {"start": 0, "end": 300, "crossover_frames": 128},
        {"start": 600, "end": FRAMES, "crossover_frames": 0},
    ]
    assert steps[0]["parameters"]["coefficients_sha256"] == own.kernels[0].sha256  # type: ignore[union-attr]
    assert steps[1]["parameters"]["late_channel"] == "right"
    where_off = steps[1]["parameters"]["coefficients_sha256_late_channel_where_emphasis_is_off"]
    assert own.shift is not None
    assert where_off == own.shift.sha256 != steps[1]["parameters"]["coefficients_sha256_late_channel"]
    record["processing"]["processing_steps"] = steps
    wrong = [v.pointer for v in validate("transfer-record", record) if "processing_steps" in v.pointer]
    assert wrong == []
    steps[0]["surprise"] = 1
    wrong = [v.pointer for v in validate("transfer-record", record) if "processing_steps" in v.pointer]
    assert wrong  # the look can fail


def test_the_longest_steps_are_the_longest() -> None:
    own = planned(RECORD)
    longest, real = copy.deepcopy(RECORD), copy.deepcopy(RECORD)
    note_longest(longest, own, AT)
    note_derivative(real, own, parent=PARENT, made=Made(sha256=PARENT, clipped=2 * FRAMES), at=AT)
    assert len(json.dumps(longest)) >= len(json.dumps(real))
    assert real["derived"][-1]["field"] == "/processing/processing_steps/0"
    assert RECORD["derived"] == []


def after(folder: Path, wish: Wanted | None = None, **sections: Any) -> dict[str, Any]:
    """The record of a package with a derivative, its files listed."""
    codes = np.random.default_rng(1).integers(-900, 900, (FRAMES, 2))
    work = derive(folder, received(codes, 44056), R, record=record_with(**sections), wish=wish)
    record, parent = work.record, work.told.entry["parent"]
    record["audio_sha256"] = parent
    master = {"role": "master", "path": "data/master/m.wav", "media_type": "audio/vnd.wave", "bytes": 9,
              "sha256": "b" * 64, "audio_sha256": parent, "original_name": "T01.wav",
              "original_bytes": 8, "original_sha256": "c" * 64}  # fmt: skip
    own = {"type": "metadata_modification", "tool": "provpack", "input_sha256": "c" * 64}
    record["processing"]["processing_steps"].insert(0, own)
    record["files"] = [work.told.entry, master]
    return record


def test_the_file_entry_is_lawful(tmp_path: Path) -> None:
    """schemas/transfer-record.schema.json, files[]."""
    record = after(tmp_path)
    wrong = [v.pointer for v in validate("transfer-record", record) if v.pointer.startswith("/files")]
    assert wrong == []
    assert record["files"][0]["parent"] == record["audio_sha256"]
    record["files"][0]["surprise"] = 1
    wrong = [v.pointer for v in validate("transfer-record", record) if v.pointer.startswith("/files")]
    assert wrong  # the look can fail


def rules_of(record: dict[str, Any]) -> set[str]:
    return {f.rule for f in judge_lineage(View(record=record))}


def test_the_finished_record_breaks_no_rule_on_descent(tmp_path: Path) -> None:
    """Domain rules 13, 15, 19, 25, on the record with its files; each made to fail once."""
    both = wanted("deemphasis", "deskew", late=1)
    assert rules_of(after(tmp_path / "1")) == set()
    assert rules_of(after(tmp_path / "2", both, decoder={"shared_converter": "yes"})) == set()
    mixed = ranges((0, 300, "off"), (300, FRAMES, "on"))
    assert rules_of(after(tmp_path / "3", signal=mixed)) == set()
    record = after(tmp_path / "4", signal=mixed)
    record["processing"]["processing_steps"][1]["ranges"][0]["start"] = 200
    assert rules_of(record) == {"rec-deemphasis-where-off"}
    record = after(tmp_path / "5")
    del record["files"][0]["parent"]
    assert "rec-derivative-parent" in rules_of(record)
    record = after(tmp_path / "6")
    del record["processing"]["processing_steps"][1]["filter"]
    assert rules_of(record) == {"rec-emphasis-removed"}
    record = after(tmp_path / "7")
    again = record["processing"]["processing_steps"][1]
    record["processing"]["processing_steps"].append(
        again
        | {"input_sha256": again["output_sha256"], "output_sha256": "e" * 64, "output_path": "data/x.wav"}
    )
    assert rules_of(record) == {"rec-deemphasis-twice"}


def test_a_step_without_a_word_on_its_output_is_still_laid_to_the_master(tmp_path: Path) -> None:
    """Our step claims the derivative, so a declared change of samples can only have made the master."""
    record = after(tmp_path)
    record["processing"]["processing_steps"].insert(0, {"type": "gain", "tool": "another program"})
    assert rules_of(record) == {"rec-master-untouched"}


def test_a_plan_that_would_break_a_rule_is_refused() -> None:
    """E.g. a step of somebody else that claims to have made the file which we are going to make."""
    step = STEP | {"output_path": "data/derivatives/job-1_t01_deemph.wav"}
    with pytest.raises(RecordProblem) as problem:
        plan(record_with(processing={"processing_steps": [step]}))
    assert problem.value.code == "derive-against-rules"
    assert "job-1_t01_deemph.wav" in problem.value.what
    plan(record_with(processing={"processing_steps": [step | {"output_path": "elsewhere.wav"}]}))


# ---- PREMIS


def test_premis_tells_the_step(tmp_path: Path) -> None:
    """Event `modification` of the Library of Congress list, by the program, from the master to the
    derivative, and the derivation naming its event."""
    record = after(tmp_path)
    document = build_premis(record, files=record["files"])
    assert check_premis(document) == ()
    root = parse_untrusted(document, where="premis")
    ident = record["record_id"]

    def linked(node: Any, what: str) -> list[tuple[str, str]]:
        return [
            (n.findtext(f"{P}linking{what}IdentifierValue").removeprefix(f"{ident}/"),
             n.findtext(f"{P}linking{what}Role"))
            for n in node.findall(f"{P}linking{what}Identifier")
        ]  # fmt: skip

    (event,) = [
        e for e in root.findall(f"{P}event")
        if e.findtext(f"{P}eventIdentifier/{P}eventIdentifierValue") == f"{ident}/event/processing-2"
    ]  # fmt: skip
    kind = event.find(f"{P}eventType")
    assert kind.text == "modification"
    assert kind.get("valueURI") == "http://id.loc.gov/vocabulary/preservation/eventType/mod"
    assert event.findtext(f"{P}eventDateTime") == AT.isoformat()
    detail = event.findtext(f"{P}eventDetailInformation/{P}eventDetail")
    assert "50/15 us de-emphasis" in detail
    assert "coefficients_sha256" in detail
    assert linked(event, "Agent") == [("agent/software", "executing program")]
    assert linked(event, "Object") == [("object/master-1", "source"), ("object/derivative-1", "outcome")]
    (copy_,) = [
        o for o in root.findall(f"{P}object")
        if o.findtext(f"{P}objectIdentifier/{P}objectIdentifierValue") == f"{ident}/object/derivative-1"
    ]  # fmt: skip
    relation = copy_.find(f"{P}relationship")
    assert relation.findtext(f"{P}relationshipSubType") == "has source"
    target = relation.findtext(f"{P}relatedObjectIdentifier/{P}relatedObjectIdentifierValue")
    assert target == f"{ident}/object/master-1"
    cause = relation.findtext(f"{P}relatedEventIdentifier/{P}relatedEventIdentifierValue")
    assert cause == f"{ident}/event/processing-2"


def test_rule_ids_are_of_one_kind() -> None:
    assert all(r.id.startswith("derive-") for r in deriverules.RULES)
    assert len({r.id for r in deriverules.RULES}) == len(deriverules.RULES)
