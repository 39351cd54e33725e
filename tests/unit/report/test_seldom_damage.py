"""What the page about damage says of one file, and of the second copy; by the docstrings of
provpack/package/bagblocks.py and provpack/jobs/secondcopy.py."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from provpack.jobs.secondcopy import SecondCopy
from provpack.package.bagblocks import BlockDigests, Damage, ranges
from provpack.report.damage_page import _range_words, _said, _second_lane, _there
from provpack.report.damage_picture import Stretch, damage_picture

MASTER = "data/master/a.wav"
DIGESTS = BlockDigests(
    file=MASTER, file_bytes=44 + 4000, audio_offset=44, audio_bytes=4000, frame_bytes=4, frames=1000,
    rate=Fraction(44_100), block_frames=100, audio_sha256="", head_sha256="", tail_sha256="",
    blocks=("",) * 10,
)  # fmt: skip
(SPAN,) = ranges(DIGESTS, [2, 3, 4])


def damage(**more: Any) -> Damage:
    values = {"path": MASTER, "extent": "audio", "ranges": (SPAN,), "bad_blocks": 3, "blocks": 10}
    return Damage(**{**values, **more})


def second(**more: Any) -> SecondCopy:
    values = {"state": "damaged", "path": "/second/t", "healable": "no"}
    return SecondCopy(**{**values, **more})


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({}, ["7 of 10 blocks of the audio are good."]),
        (
            {"extent": "unknown"},
            ["No block of the audio was found again; where it is damaged cannot be told."],
        ),
        (
            {"extent": "around", "bad_blocks": 0, "head_changed": True, "tail_changed": True},
            ["The audio is intact: all 10 blocks are as they were packaged.",
             "Bytes before the audio changed.", "Bytes after the audio changed."],
        ),
        ({"size_change": 4, "shifted_bytes": 4}, ["The file is 4 bytes longer than it was.",
                                                 "4 bytes were inserted within the audio."]),
        ({"size_change": -4, "shifted_bytes": -4, "lost_frames": 1},
         ["The file is 4 bytes shorter than it was.", "The last 1 frames are gone.",
          "4 bytes were removed within the audio."]),
    ],
)  # fmt: skip
def test_what_is_said_of_the_file(more: dict[str, Any], said: list[str]) -> None:
    counted = "7 of 10 blocks of the audio are good."
    assert [line for line in _said(damage(**more)) if line != counted] == [x for x in said if x != counted]
    assert (counted in _said(damage(**more))) == ("extent" not in more)


@pytest.mark.parametrize(
    ("there", "words"),
    [
        (None, "not looked at"),
        (second(good_there=(MASTER,)), "good there"),
        (second(lost=({"path": MASTER},)), "damaged there, too"),
        (second(healable="yes"), "see above"),
        (second(), "not known"),
    ],
)
def test_whether_the_second_copy_has_a_file(there: SecondCopy | None, words: str) -> None:
    assert _there(MASTER, there) == words


@pytest.mark.parametrize(
    ("there", "words", "lane"),
    [
        (None, "not looked at", None),
        (second(state="unreadable"), "not known", None),
        (second(good_there=(MASTER,)), "good there", [(200, 499, "there")]),
        (second(), "damaged there, too", [(200, 499, "lost")]),
        (second(unread=(MASTER,)), "not known", None),
        (second(blocks_there=ranges(DIGESTS, [2, 3, 4, 7])), "good there", [(200, 499, "there")]),
        (second(blocks_there=ranges(DIGESTS, [2, 3, 4]), unread=(MASTER,)), "good there", None),
        (
            second(blocks_there=ranges(DIGESTS, [0, 3])), "1 of 3 blocks good there",
            [(200, 299, "lost"), (300, 399, "there"), (400, 499, "lost")],
        ),
    ],
)  # fmt: skip
def test_what_the_second_copy_has_of_a_range(
    there: SecondCopy | None, words: str, lane: list[tuple[int, int, str]] | None
) -> None:
    assert _range_words(SPAN, damage(), there) == words
    drawn = _second_lane(damage(), there)
    assert (drawn if drawn is None else [(s.first, s.last, s.look) for s in drawn]) == lane


@pytest.mark.parametrize(("frames", "rate"), [(0, Fraction(44_100)), (1000, Fraction(0)), (-1, Fraction(1))])
def test_a_recording_without_length_has_no_picture(frames: int, rate: Fraction) -> None:
    stretch = Stretch(first=0, last=9, look="damaged")
    more: dict[str, Any] = {"second": None, "title": "t", "words": "w", "prefix": "p"}
    assert damage_picture(frames, rate, [stretch], **more) is None
    found = damage_picture(1000, Fraction(44_100), [replace(stretch, number=1)], **more)
    assert found is not None and "This copy" in found.svg and "The second copy" not in found.svg
