"""Drawn photographs: valid PNG by the rules of the standard, the same every time, with what was asked for."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from provpack.synth.canvas import Canvas
from provpack.synth.font import set_text
from provpack.synth.photo import HEIGHT, WIDTH, Mark, Picture, draw
from provpack.synth.png import png_bytes

CASSETTE = Picture(
    view="cassette", card="AC-0411 TAPE 1", lines=("ONE", "TWO", "THREE", "FOUR", "FIVE"), seed=1
)


def chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    """W3C PNG (second edition) 5.2 and 5.3: signature, then length, type, data, CRC of type and data."""
    assert data[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])
    found, at = [], 8
    while at < len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        body = data[at + 8 : at + 8 + length]
        assert struct.unpack(">I", data[at + 8 + length : at + 12 + length])[0] == zlib.crc32(kind + body)
        found.append((kind, body))
        at += 12 + length
    return found


def pixels(data: bytes) -> NDArray[np.uint8]:
    """Undo filter type Up (section 9.2) with plain arithmetic."""
    parts = chunks(data)
    assert parts[0][0] == b"IHDR"
    assert parts[-1] == (b"IEND", b"")
    width, height, depth, colour, method, filtering, interlace = struct.unpack(">IIBBBBB", parts[0][1])
    assert (depth, colour, method, filtering, interlace) == (8, 2, 0, 0, 0)
    raw = zlib.decompress(b"".join(body for kind, body in parts if kind == b"IDAT"))
    lines = np.frombuffer(raw, dtype=np.uint8).reshape(height, 1 + 3 * width)
    assert (lines[:, 0] == 2).all()
    return np.cumsum(lines[:, 1:], axis=0, dtype=np.uint8).reshape(height, width, 3)


def test_png_holds_the_pixels_it_was_given() -> None:
    given = np.random.default_rng(0).integers(0, 256, (7, 5, 3), dtype=np.uint8)
    data = png_bytes(given, text=(("Title", "x"),))
    assert np.array_equal(pixels(data), given)
    assert (b"tEXt", b"Title\0x") in chunks(data)


@pytest.mark.parametrize("shape", [(0, 4, 3), (4, 0, 3), (4, 4, 1)])
def test_png_refuses_what_is_no_picture(shape: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="height, width, 3"):
        png_bytes(np.zeros(shape, dtype=np.uint8))


@pytest.mark.parametrize("view", ["cassette", "label"])
def test_a_picture_is_a_png_that_says_it_is_a_drawing(view: Literal["cassette", "label"]) -> None:
    data = draw(replace(CASSETTE, view=view, marks=("dust", "water_mark", "label_torn", "crack")))
    assert pixels(data).shape == (HEIGHT, WIDTH, 3)
    assert any(k == b"tEXt" and b"drawing" in body for k, body in chunks(data))
    assert len(data) < 120_000


def test_a_label_may_have_few_lines_or_too_many() -> None:
    four = draw(replace(CASSETTE, lines=CASSETTE.lines[:4]))
    assert draw(CASSETTE) == four
    assert draw(replace(CASSETTE, lines=("ONE",))) != four


def test_the_same_picture_twice_has_the_same_bytes() -> None:
    assert draw(CASSETTE) == draw(CASSETTE)


@pytest.mark.parametrize("mark", ["water_mark", "crack", "label_torn", "dust"])
def test_each_mark_changes_the_picture(mark: Mark) -> None:
    assert (pixels(draw(CASSETTE)) != pixels(draw(replace(CASSETTE, marks=(mark,))))).any()


def test_more_tape_on_the_left_makes_the_left_pack_larger() -> None:
    def dark(picture: Picture) -> int:
        left = pixels(draw(picture))[88:302, 98:248].astype(int).sum(axis=2)
        return int((left < 180).sum())

    assert dark(replace(CASSETTE, wound=0.9)) > dark(replace(CASSETTE, wound=0.1)) + 3000


def test_text_is_set_in_dots() -> None:
    assert ["".join("#" if d else "." for d in row) for row in set_text("Li")] == [
        "#......###.",
        "#.......#..",
        "#.......#..",
        "#.......#..",
        "#.......#..",
        "#.......#..",
        "#####..###.",
    ]
    assert np.array_equal(set_text("é"), set_text("?"))
    assert set_text("").shape == (7, 1)


def test_drawing_stops_at_the_edges() -> None:
    canvas = Canvas(20, 10, (0, 0, 0), (0, 0, 0))
    canvas.disc(0, 0, 6, (255, 255, 255))
    canvas.text(-3, -2, "HH", (255, 0, 0))
    canvas.text(14, 6, "HH", (255, 0, 0))
    done = canvas.finished()
    assert done.shape == (10, 20, 3)
    assert done[0, 4].tolist() == [255, 255, 255]
    assert done[9, 14].tolist() == [255, 0, 0]
