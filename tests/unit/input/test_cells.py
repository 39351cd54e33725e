"""Cells with exactly one reading are taken as the schema wants them."""

from __future__ import annotations

import pytest

from provpack.jobs.cells import ABSENT, read_cell
from provpack.jobs.rules import RULES
from provpack.jobs.sheetfields import sheet_fields


@pytest.mark.parametrize(
    ("field", "text", "value"),
    [
        ("carrier_nominal_minutes", "60", 60),
        ("carrier_nominal_minutes", " 62.5 ", 62.5),
        ("source_bit_depth", "14", 14),
        ("source_bit_depth", "14.0", 14),
        ("source_bit_depth", "Unknown", "unknown"),
        ("decoder_mode", "14", "14"),
        ("tape_speed_mode", "SP", "sp"),
        ("dropout_compensator", "not observed", "not_observed"),
        ("personal_data", "TRUE", True),
        ("personal_data", "no", False),
        ("personal_data", "unknown", "unknown"),
        ("sampling_frequency", "44100000/1001", {"num": 44100000, "den": 1001}),
        ("sampling_frequency", "44100", {"num": 44100, "den": 1}),
        ("condition_terms", "dust | residue", ["dust", "residue"]),
        ("picture_processing", "[]", []),
        ("condition_assessed_at", "2031-05-01", "2031-05-01"),
        ("condition_assessed_at", "unknown", None),
        ("started_at", "2031-05-04 10:00:00+0200", "2031-05-04T10:00:00+02:00"),
        ("started_at", "2031-05-04t10:00:00.5z", "2031-05-04T10:00:00.5Z"),
        ("recorded_date", "198X", "198X"),
        ("label_transcription", " 't Hart's tape\n“Nr. 2” ", " 't Hart's tape\n“Nr. 2” "),
        ("deck_make_model", "O’Hara 3", "O’Hara 3"),
        ("carrier_id", "00123", "00123"),
        ("carrier_id", "12E4", "12E4"),
        ("documents", "a.pdf|b c.pdf", ["a.pdf", "b c.pdf"]),
    ],
)
def test_taken(field: str, text: str, value: object) -> None:
    reading = read_cell(sheet_fields().transfer[field], text)
    assert (reading.value, reading.faults) == (value, [])


@pytest.mark.parametrize("text", ["", "off", "none", "not fitted", "0"])
def test_unknown_answers_never_become_off(text: str) -> None:
    """An answer that is not in the vocabulary gives no value at all, whatever it is near to."""
    assert read_cell(sheet_fields().transfer["shared_converter"], text or "-").value is ABSENT


def test_the_three_honest_answers_stay_three() -> None:
    column = sheet_fields().transfer["emphasis_indicator"]
    answers = ("unknown", "not_observed", "not_fitted", "off")
    assert [read_cell(column, word).value for word in answers] == list(answers)


def test_both_readings_of_a_date_are_named() -> None:
    fault = read_cell(sheet_fields().transfer["condition_assessed_at"], "03/04/2031").faults[0]
    assert "3 April 2031 or 4 March 2031" in fault.what


def test_seconds_that_were_not_written_are_noted() -> None:
    reading = read_cell(sheet_fields().transfer["started_at"], "2031-05-04T10:00Z")
    assert reading.value == "2031-05-04T10:00:00Z"
    assert [f.severity for f in reading.faults] == ["note"]


def test_rules_are_declared_once_and_say_what_to_do() -> None:
    assert len({rule.id for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.id.startswith(("job-", "row-"))
        assert rule.title and rule.todo
