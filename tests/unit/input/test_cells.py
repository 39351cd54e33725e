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


@pytest.mark.parametrize(
    ("field", "text", "rule", "todo"),
    [  # as spreadsheets write them that are set to German or French: common practice, no source
        ("carrier_nominal_minutes", "62,5", "row-decimal-comma", "Write 62.5, if that is meant:"),
        ("carrier_nominal_minutes", "1,234", "row-decimal-comma", "Write 1234 or 1.234, whichever is meant:"),
        ("carrier_nominal_minutes", "1.234,5", "row-decimal-comma", "Write the number with a decimal point"),
        ("capture_word_length", "16,0", "row-vocabulary", "Did you mean 16?"),
        ("sampling_frequency", "44100,0", "row-frequency", "Write 44100, if that is meant:"),
        ("sampling_frequency", "44.100", "row-frequency", "Write 44100, if that is meant:"),
        ("sampling_frequency", "44055,944", "row-frequency", "For 44.056 kHz write 44100000/1001"),
        ("personal_data", "WAHR", "row-vocabulary", "Did you mean true? Use one of: true, false, unknown."),
        ("personal_data", "faux", "row-vocabulary", "Did you mean false?"),
        ("personal_data", "nein", "row-vocabulary", "Did you mean false?"),
        ("condition_assessed_at", "3.4.2031", "row-date-order", "Write 2031-04-03 or 2031-03-04."),
        ("condition_assessed_at", "31.05.2031", "row-date-order", "Write 2031-05-31."),
        ("condition_assessed_at", "3.4.31", "row-date-order", "Write dates as YYYY-MM-DD."),
        (
            "started_at", "31.05.2031 09:30", "row-date-order",
            "Write 2031-05-31, and behind it the time with its offset: 2031-05-31T14:30:00+02:00.",
        ),
    ],
)  # fmt: skip
def test_other_notations_are_refused_with_what_to_write(field: str, text: str, rule: str, todo: str) -> None:
    reading = read_cell(sheet_fields().transfer[field], text)
    (fault,) = reading.faults
    assert reading.value is ABSENT and fault.rule.id == rule
    assert todo in (fault.todo or fault.rule.todo)


@pytest.mark.parametrize(
    ("text", "todo"),
    [
        ("0:12:30,250", "Write 0:12:30.250, with a point."),
        ("1.234.567", "Write 1234567, if that is meant: no comma, and no grouping."),
        ("12 min", ""),
    ],
)
def test_positions_in_other_notations(text: str, todo: str) -> None:
    column = sheet_fields().transfer["transfer_events"].fields["frame"]
    (fault,) = read_cell(column, text).faults
    assert (fault.rule.id, fault.todo) == ("row-position", todo)


def test_seconds_that_were_not_written_are_noted() -> None:
    reading = read_cell(sheet_fields().transfer["started_at"], "2031-05-04T10:00Z")
    assert reading.value == "2031-05-04T10:00:00Z"
    assert [f.severity for f in reading.faults] == ["note"]


def test_rules_are_declared_once_and_say_what_to_do() -> None:
    assert len({rule.id for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.id.startswith(("job-", "row-"))
        assert rule.title and rule.todo
