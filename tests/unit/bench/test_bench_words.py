"""Findings in the words of the pages."""

from __future__ import annotations

import pytest

from provpack.report.bench_words import place, plainly, remedy


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("custody_events is empty.", "'Custody events' is empty."),
        ("Write 'label_transcription' too.", "Write 'Written on it' too."),
        ("'no_pcm_found' was said.", "'no digital audio found' was said."),
        ("The file side_b.wav is not there.", "The file side_b.wav is not there."),  # a name, not a field
        ("captures/deck_id/x.wav", "captures/deck_id/x.wav"),
        ("some_other_word", "some_other_word"),
        (
            "It needs 1. (This applies because there is audio (audio_sha256 is a digest).)",
            "It needs 1.",
        ),
    ],
)
def test_names_of_fields_become_what_the_page_calls_them(said: str, shown: str) -> None:
    assert plainly(said) == shown


def test_what_says_it_all_has_no_second_remedy() -> None:
    what = "'passes': [] has too few entries: at least 1 needed. (This applies because there is audio.)"
    assert plainly(what).startswith("No pass is written down for it. Play it on the page Chains")
    assert remedy(what, "Correct the value.") == ""
    assert remedy("deck_id is missing.", "Say the deck_id.") == "Say the 'Playback machine'."


def test_a_place_has_no_path_inside_the_record() -> None:
    said = "job.toml, transfer[2].custody_events (/custody/custody_events = [])"
    assert place(said) == "job.toml, transfer[2].custody_events"
