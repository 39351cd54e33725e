"""Words of papers that ordinary packages seldom need. Expectations follow from the
docstrings, unless a source stands beside them."""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from typing import Any

import pytest
from support.metadata import rich

from provpack.chunks.history import CodingRow
from provpack.package.deliveryreadme import _by_hand, _folders, build_delivery_readme
from provpack.package.describe import (
    ascii_text,
    build_bext_fields,
    build_coding_rows,
    build_markers,
    name_of,
    start_of,
)
from provpack.package.describe_derivative import build_derivative_bext
from provpack.package.embedding import embeddable
from provpack.package.listening import listening
from provpack.package.notice import Item, Letter, Playing, build_notice
from provpack.package.notice import Said as Notice
from provpack.package.readfirst import Page, build_readfirst
from provpack.package.readfirst_words import FILE_EMPHASIS, emphasis_words, rate_words
from provpack.package.summary import damage_words

RATE = Fraction(44_100_000, 1001)


# ---- text and times of the bext chunk


@pytest.mark.parametrize(
    ("text", "ascii_"),
    [
        ("Grüße aus Łódź", "Grusse aus Lodz"),
        ("tab\tand\x07bell\x85and\u2028line", "tab and bell and line"),
        ("ﬁne ½ ™", "fine 1?2 TM"),  # NFKD: fi ligature, 1 fraction-slash 2
        ("日本 録音", "?? ??"),
        ("㌕", "?????"),  # NFKD: five letters, the mark of the third among them
        ("\u00a0 µ \u200b", "u ?"),
    ],
)
def test_the_nearest_ascii(text: str, ascii_: str) -> None:
    assert ascii_text(text) == ascii_


@pytest.mark.parametrize(
    ("agent", "name"),
    [
        ("Aldbrae Audio", "Aldbrae Audio"),
        ({"name": "Aldbrae Audio", "role": "studio"}, "Aldbrae Audio"),
        ({"role": "studio"}, "studio"),
        ({"name": None}, ""),
        (None, ""),
    ],
)
def test_an_agent_is_a_text_or_has_a_name(agent: object, name: str) -> None:
    assert name_of(agent) == name


def test_the_start_of_the_earliest_pass_where_zones_differ() -> None:
    def start(*told: str | None) -> datetime | None:
        passes: list[Any] = [{"n": n, "started_at": at} for n, at in enumerate(told, 1)]
        return start_of({"processing": {"passes": [*passes, "no pass"]}}, "x.wav")

    noon, later = "2031-05-01T12:00:00+02:00", "2031-05-01T11:30:00+01:00"
    assert start(noon, later) == datetime.fromisoformat(noon)
    assert start(later, noon) == datetime.fromisoformat(noon)  # 12:00+02:00 is before 11:30+01:00
    # without a zone it cannot be compared: the first stands
    assert start(later, "2031-05-01T09:00:00") == datetime.fromisoformat(later)
    assert start("2031-05-01T12:00:00", noon) == datetime(2031, 5, 1, 12)
    assert start("2031-05-01T12:00:00", "2031-05-01T09:00:00") == datetime(2031, 5, 1, 9)
    assert start(None) is None and start() is None


def test_what_is_cut_from_the_embedded_record_is_said() -> None:
    record = {"files": [1], "derived": [{"field": "/x"}], "measured": {
        "digital_silence": [{}] * 200, "events_detected": [{}] * 50,
    }}  # fmt: skip
    assert embeddable(record) == {**record, "files": []}
    assert embeddable({"files": [1], "measured": None}) == {"files": [], "measured": None}
    assert embeddable({"measured": {"events_detected": None}})["measured"] == {"events_detected": None}
    long: dict[str, Any] = {"measured": {"digital_silence": [{}] * 201, "events_detected": [{}] * 70}}
    inner = embeddable(long)
    assert len(inner["measured"]["digital_silence"]) == 200
    assert len(inner["measured"]["events_detected"]) == 50
    assert [(d["field"], d["how"]) for d in inner["derived"]] == [
        ("/measured/digital_silence", "the first 200 of 201; the package lists all of them"),
        ("/measured/events_detected", "the first 50 of 70; the package lists all of them"),
    ]
    assert len(long["measured"]["digital_silence"]) == 201  # the record is left as it was


def test_the_coding_history_names_the_machines_in_the_order_of_the_signal() -> None:
    """EBU R 98: one row for each process, the last one describes the file; what has no key stands in T=."""
    record = rich()
    record["deck"] |= {"deck_make_model": "Hallgrim T2", "deck_serial": "007"}
    record["decoder"] |= {"decoder_make_model": "Merel D5", "decoder_serial": "012"}
    record["interface"]["interface_type"] = "spdif_coaxial"
    record["capture"] |= {
        "clock_source": "external_word_clock",
        "src_in_path": "no",
        "capture_software": "Lathe 3",
    }

    def rows(**changed: Any) -> tuple[CodingRow, ...]:
        made = {**record, **changed}
        return build_coding_rows(made, received=(), header_rate=44056, word_length=16, channels=2)

    tape, file = rows()
    assert (tape.algorithm, tape.frequency, tape.word_length) == ("PCM", 44056, 14)
    assert tape.text.endswith("deck Hallgrim T2 007") and "pre-emphasis 50/15 us" in tape.text
    assert (file.algorithm, file.frequency, file.word_length) == ("PCM", 44056, 16)
    assert file.text.startswith("decoder Merel D5 012; interface spdif_coaxial; capture ")
    assert "; clock external_word_clock; rate conversion in path: no; emphasis in this file: " in file.text
    assert "; Lathe 3" in file.text
    (_, bare) = rows(interface=None, decoder=None, capture=None)
    assert bare.text.startswith("interface unknown; clock unknown; rate conversion in path: unknown; ")
    through = rows(interface={"interface_type": "analogue"})
    assert [row.algorithm for row in through] == ["PCM", "ANALOGUE", "PCM"]
    assert through[1].text == "analogue output Merel D5 012"


@pytest.mark.parametrize("form", ["folder", "tar", "zip"])
def test_what_a_delivery_holds_and_how_it_is_checked_by_hand(form: str) -> None:
    note = {"form": form, "signer": None, "delivery_name": "2031-06-01-harbour", "totals": {"packages": 3}}
    page = Page()
    _folders(page, note)
    _by_hand(page, note)
    text = " ".join(" ".join(page._lines).split())
    assert ("one folder each" in text) == (form == "folder")
    assert (f"one .{form} archive each" in text) == (form != "folder")
    assert ("reports/ the page about each package" in text) == (form != "folder")
    assert ("tar, which is part of Windows" in text) == (form == "tar")
    assert ("Expand-Archive" in text) == (form == "zip")


@pytest.mark.parametrize("signed", [False, True])
def test_a_signed_delivery_tells_how_to_check_who_made_it(signed: bool) -> None:
    note: dict[str, Any] = {
        "form": "tar", "delivery_id": "D-1", "delivery_name": "2031-06-01-harbour", "note": None,
        "totals": {"packages": 3, "files": 40, "bytes": 5000}, "client_profile": None,
        "signer": {"principal": "op@example", "fingerprint": "SHA256:abc"} if signed else None,
        "made_by": {"at": "2031-06-01T10:00:00Z"}, "to": {"client": "Harbour Museum"},
        "from": {"organisation": "Aldbrae Audio", "contact": None},
    }  # fmt: skip
    text = build_delivery_readme(note)
    flat = " ".join(text.split())
    assert ("How to check who made it" in text) is signed and ("SHA256:abc" in text) is signed
    assert ("the signature of the note, and a list of its keys" in flat) is signed
    assert "Aldbrae Audio. Name the delivery: D-1." in flat


@pytest.mark.parametrize(
    ("clock", "frames"),
    [
        ("00:00:00", 0),
        ("10:59:58", 39_598 * 44_100_000 // 1001),
        ("23:59:59", 86_399 * 44_100_000 // 1001),
    ],
)
def test_the_time_reference_counts_frames_since_midnight_at_the_exact_rate(clock: str, frames: int) -> None:
    """EBU Tech 3285 v2 section 2.3, TimeReference: sample count since midnight, here of the local day."""
    record = rich()
    record["processing"] = {"passes": [{"n": 1, "file": "x.wav", "started_at": f"2031-05-01T{clock}+02:00"}]}
    made = build_bext_fields(record, rate=RATE, history="", master="x.wav")
    assert (made.origination_date, made.origination_time, made.time_reference) == (
        "2031-05-01",
        clock,
        frames,
    )


def test_the_description_of_a_derivative_fills_its_field_and_no_more() -> None:
    """EBU Tech 3285 v2 section 2.3: 256 characters; the title gives way, the rest is never cut."""
    record = rich()
    for size, whole in ((10, True), (1000, False)):
        record["item"]["title"] = "t" * size
        made = build_derivative_bext(record, rate=RATE, history="", master="x.wav", emphasis="removed")
        assert len(made.description) == 256 or whole
        assert made.description.startswith("t" * 10)
        assert made.description.endswith("derivative; the master and its record are in the same package")
        assert ("t" * size in made.description) is whole


# ---- what to listen for


def sounding(channels: int, *events: dict[str, Any]) -> list[str]:
    measured = {"channels": channels, "events_detected": list(events)}
    signal = {"sampling_frequency": {"num": 44_100_000, "den": 1001}}
    return listening({"audio_sha256": "a", "measured": measured, "signal": signal})


def mute(start: int, channel: int | None) -> dict[str, Any]:
    return {"type": "mute", "start": start, "length": 40, "channel": channel}


@pytest.mark.parametrize(
    ("channels", "where", "told"),
    [
        (1, [0], ""),
        (2, [0], ", in the left channel"),
        (2, [0, 1], ", in both channels"),
        (2, [None], ", in both channels"),
        (4, [0, 2], ", in channel 1 and channel 3"),
        (4, [None, 2], ", in all channels"),
        (16, list(range(10)), ", in channel 1, channel 2, channel 3, channel 4, channel 5, channel 6, "
         "channel 7 and channel 8 and more"),
    ],
)  # fmt: skip
def test_the_channels_are_told(channels: int, where: list[int | None], told: str) -> None:
    (said,) = sounding(channels, *(mute(n, channel) for n, channel in enumerate(where)))
    assert said.endswith(f"{told} (measured).")
    assert told or "channel" not in said


def test_a_silent_beginning_is_told_from_five_seconds_on() -> None:
    # five seconds are 5 x 44100000/1001 = 220 279.7 frames
    for length, told in (
        (220_279, []),
        (220_280, ["Until 0:00:05: digital silence, which is no fault (measured)."]),
    ):
        silence = {"type": "digital_silence", "start": 0, "length": length, "channel": None}
        assert sounding(2, silence) == told


@pytest.mark.parametrize(
    ("frames", "said"),
    [
        (40, "a mute: the sound is cut to zero, in the left channel"),  # under a millisecond: no length
        (44, "a mute: the sound is cut to zero, in the left channel"),
        (45, "a mute: the sound is cut to zero, for 1 ms, in the left channel"),
        (44_055, "a mute: the sound is cut to zero, for 1000 ms, in the left channel"),
        (44_056, "a mute: the sound is cut to zero, for 1.0 seconds, in the left channel"),
        (110_140, "a mute: the sound is cut to zero, for 2.5 seconds, in the left channel"),
    ],
)
def test_how_long_one_place_lasts(frames: int, said: str) -> None:
    (told,) = sounding(2, mute(0, 0) | {"length": frames})
    assert told == f"At 0:00:00: {said} (measured)."


def test_damage_that_only_a_comparison_showed() -> None:
    def told(**more: Any) -> str:
        events = [{"type": "mute", "origin": origin} for origin in more.get("origins", ())]
        measured = {"events_detected": more.get("found")}
        record = {"audio_sha256": "a", "measured": measured, "processing": {"transfer_events": events}}
        return damage_words(record)

    assert told() == "No program has looked for damage in the sound."
    assert told(found=[]).startswith("A program looked for damage in the sound and found none")
    assert told(found=[], origins=("seen",)) == told(found=[])
    assert told(found=[], origins=("seen", "measured")).endswith("in other ways it did: see the events.")
    assert told(found=[{"type": "mute"}], origins=("measured",)).startswith("In the sound a program found 1")
    assert damage_words({"audio_sha256": None, "measured": {"events_detected": []}}) == ""


def test_emphasis_where_it_does_not_apply() -> None:
    def said(tape: str | None, file: str | None) -> str:
        return emphasis_words({"signal": {"tape_emphasis": tape, "file_emphasis": file}})

    assert said("not_applicable", "absent").startswith(
        "Pre-emphasis does not apply to this kind of recording"
    )
    assert said("not_applicable", "present") == FILE_EMPHASIS["present"] != said("not_applicable", "absent")
    assert said("present", "absent") == FILE_EMPHASIS["absent"]
    assert said(None, None) == ""


def test_an_event_whose_frame_nobody_knows_is_no_marker() -> None:
    events = [{"type": "join", "frame": None}, {"type": "mute", "frame": 7, "note": "short"}]
    markers, left_out = build_markers({"processing": {"transfer_events": events}}, received=(), frames=10)
    assert ([(m.frame, m.label, m.note) for m in markers], left_out) == ([(7, "mute", "short")], 0)


# ---- the page for people


def test_a_page_keeps_empty_words_out() -> None:
    page = Page()
    page.say("")
    page.gap()
    page.say("first")
    page.gap()
    page.gap()
    page.say("")
    page.say("second")
    assert page._lines == ["first", "", "second"]


def test_a_long_word_with_a_hyphen_is_not_broken() -> None:
    """A digest, a path or a name is copied by hand: it stands whole on its line."""
    word = "a" * 70 + "-" + "b" * 30
    page = Page()
    page.say(f"see {word}")
    page.point(f"see {word}")
    assert page._lines == ["see", word, "- see", f"  {word}"]


def test_a_line_of_a_page_has_78_characters_at_the_most() -> None:
    for last, lines in ((38, 1), (39, 2)):
        page = Page()
        page.say("a" * 39 + " " + "b" * last)
        assert len(page._lines) == lines
        page = Page()
        page.point("a" * 37 + " " + "b" * last)
        assert len(page._lines) == lines


def lines_of(record: dict[str, Any], **audio: Any) -> str:
    told = {
        "file": "data/master/a.wav", "audio_offset": 44, "audio_bytes": 4000, "frame_bytes": 4,
        "block_frames": 300, "audio_sha256": "ab" * 32, "blocks": ["cd" * 32], **audio,
    }  # fmt: skip
    return build_readfirst(record, files=record["files"], audio=told)


def test_without_block_digests_nothing_is_said_of_pieces() -> None:
    whole, without = lines_of(rich()), lines_of(rich(), blocks=[])
    assert "Piece number N begins" in " ".join(whole.split())
    assert "ab" * 32 in without
    assert "Piece number" not in without and "block-digests" not in " ".join(without.split("tells which")[1:])
    assert lines_of(rich(), block_frames=0) == lines_of(rich(), blocks=None, block_frames=0)


@pytest.mark.parametrize("header", [None, 0, "44100"])
def test_the_exact_rate_is_told_where_the_header_tells_none(header: object) -> None:
    signal = {"sampling_frequency": {"num": 44_100_000, "den": 1001}, "header_sampling_frequency_hz": header}
    assert rate_words({"signal": signal}) == "The exact sampling frequency is 44100/1.001 Hz (44 055.944 Hz)."
    assert rate_words({"signal": {}}) == ""


def test_words_on_one_thing_only_before_listening() -> None:
    record = rich()
    record["signal"]["file_emphasis"] = "a word of another program"
    text = lines_of(record)
    assert "Before you listen" in text and "exact sampling frequency" in text
    record["signal"]["sampling_frequency"] = None
    assert "Before you listen" not in lines_of(record)


# ---- notices


def letter(notice: Notice, **more: Any) -> str:
    item = Item(package="J_T1", identities=("ab" * 64,), passes=(
        Playing(n=1, started_at=None, stopped_at=None, words=(("covered", None),)),
    ), **more)  # fmt: skip
    made = Letter(client="Ambersund Chamber Archive", organisation=None, day="2031-06-01", equipment="DECK-1",
                  roles=("playback deck",), notices=(notice,), items=(item,))  # fmt: skip
    return " ".join(build_notice(made).split())


def test_the_end_of_a_time_in_words() -> None:
    since = "It may have had an effect from 2031-05-01 on"
    base: dict[str, Any] = {"name": "F-1", "words": "Slipped.", "since": "2031-05-01"}
    assert f"{since}, until 2031-05-02." in letter(Notice(**base, until="2031-05-02"))
    assert f"{since}; no end is known." in letter(Notice(**base))
    assert f"{since}. On 2031-05-09 the notice was cleared: no harm was found." in letter(
        Notice(**base, cleared_at="2031-05-09")
    )


@pytest.mark.parametrize(
    ("outcome", "at", "told"),
    [
        ("good", "2031-04-01T10:00:00Z", "last checked on 2031-04-01, and found as it was sealed"),
        ("bad", "2031-04-01T10:00:00Z", "did not pass its last check on 2031-04-01; please check yours"),
        ("missing", None, "did not pass its last check on a day that is not known; please check yours"),
    ],
)
def test_our_last_check_is_told_as_it_went(outcome: str, at: str | None, told: str) -> None:
    text = letter(Notice(name="F-1", words="Slipped."), last_outcome=outcome, last_checked_at=at)
    assert told in text
