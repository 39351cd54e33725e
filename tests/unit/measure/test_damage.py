"""All detectors as one analyser: same result however the stream is cut, caps, words, odd layouts."""

from __future__ import annotations

import json
from collections import Counter
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from support.interleave import RATE, STEREO_16, analyse, harm, music, play, random_bursts

from provpack.errors import Bug, InputProblem
from provpack.measure.block import Block
from provpack.measure.damage import ORDER, DamageAnalyser
from provpack.measure.pcm import PcmLayout

SCHEMA = Path(__file__).resolve().parents[3] / "schemas" / "fields.schema.json"


def damaged() -> np.ndarray:
    """A bit of everything, 6 s."""
    parts = [
        music(31, 3, bits=14, level="loud", tone="bright"),
        music(31, 3, bits=14, level="quiet", tone="dull"),
    ]
    codes = np.concatenate(parts)
    for k, how in enumerate(("interpolation", "hold", "mute", "none")):
        places = [(first + 500 * k, n) for n in (40, 96) for first, _ in random_bursts(len(codes), n, 6, k)]
        codes = play(codes, bits=14, bursts=places, how=how, seed=k).codes  # type: ignore[arg-type]
    codes[:3000] = 0
    codes[70_000:70_030, 0] = 32764
    codes[100_000:110_000] += 1
    codes[-500:] = -16
    return codes


def test_the_result_does_not_depend_on_the_cuts() -> None:
    codes = damaged()
    whole = analyse(codes, declared_bits=14)
    assert {e.type for e in whole.events} == set(ORDER)
    rng = np.random.default_rng(4)
    for pieces in (1, 7, 60, 2000):
        cuts = sorted(rng.integers(0, len(codes), pieces).tolist())
        for declared in (14, None):
            assert analyse(codes, declared_bits=declared, cuts=cuts) == analyse(codes, declared_bits=declared)


def test_events_are_in_order_inside_the_file_and_in_the_records_words() -> None:
    """Words: schemas/fields.schema.json, detected_event_type; events as transfer-record.schema.json."""
    words = json.loads(SCHEMA.read_text(encoding="utf-8"))["$defs"]["detected_event_type"]["enum"]
    assert set(ORDER) <= set(words)
    codes = damaged()
    got = analyse(codes, declared_bits=14)
    assert [e.start for e in got.events] == sorted(e.start for e in got.events)
    for event in got.events:
        assert event.length >= 1
        assert 0 <= event.start < event.stop <= len(codes)
        assert event.channel in (None, 0, 1)
        assert event.confidence is None or 0 < event.confidence < 1
        assert event.note
    assert got.left_out == 0
    assert dict(got.counts) == {kind: Counter(e.type for e in got.events)[kind] for kind in ORDER}


def test_the_cap_keeps_the_rare_and_counts_the_rest() -> None:
    codes = damaged()
    everything = analyse(codes, declared_bits=14)
    few = analyse(codes, declared_bits=14, max_events=8)
    assert len(few.events) == 8
    assert few.left_out > 0
    assert few.left_out >= len(everything.events) - 8
    assert "click" not in {e.type for e in few.events}


def test_one_dropout_is_one_event() -> None:
    clean = music(31, 4, bits=14, level="loud", tone="bright")
    places = random_bursts(len(clean) * 5 // 6, 96, 3, 2)
    for how in ("hold", "mute"):
        got = analyse(play(clean, bits=14, bursts=places, how=how).codes, declared_bits=14)  # type: ignore[arg-type]
        assert Counter(e.type for e in harm(got))[how] in (3, 4)  # the channels' runs lie 48 frames apart


def test_missing_frames_give_no_figures() -> None:
    analyser = DamageAnalyser(layout=STEREO_16, rate=RATE, frames=100)
    analyser.take(Block(0, np.zeros((99, 2), dtype=np.int16), 32768))
    with pytest.raises(Bug):
        analyser.finish()


def test_an_impossible_layout_is_refused() -> None:
    with pytest.raises(InputProblem):
        DamageAnalyser(layout=PcmLayout(channels=0, container_bytes=2), rate=None, frames=0)


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 17, 2047, 2049])
def test_short_files(frames: int) -> None:
    rng = np.random.default_rng(1)
    got = analyse(rng.integers(-9000, 9000, (frames, 2)).astype(np.int16))
    assert got.frames == frames
    assert not harm(got)


@pytest.mark.parametrize("width", [1, 2, 3, 4])
@pytest.mark.parametrize("channels", [1, 2, 8])
def test_every_layout(width: int, channels: int) -> None:
    """The same mute, hold and click in any container and number of channels."""
    layout = PcmLayout(channels=channels, container_bytes=width)
    rng = np.random.default_rng(2)
    t = np.arange(120_000)[:, None]
    sound = np.sin(t * 0.02 + np.arange(channels)) * 0.3 + rng.normal(0, 0.02, (120_000, channels))
    codes = np.rint(sound * layout.full_scale).astype(np.int64)
    codes[30_000:30_100] = 0
    codes[60_000:60_100, 0] = codes[60_000, 0] or 1
    codes[90_000] = int(0.95 * layout.full_scale)
    got = analyse(codes.astype(np.int16 if width <= 2 else np.int32), layout=layout)
    kinds = [(e.type, e.start) for e in harm(got) if e.type != "other"]
    assert kinds == [("mute", 30_000), ("hold", 60_000), ("click", 90_000)]


def test_rate_and_standard_may_be_unknown() -> None:
    codes = music(1, 2, bits=14, level="loud", tone="dull")
    got = analyse(codes, rate=None, line_standard=None)
    assert len(got.repetition) == 2
    assert len(analyse(codes, rate=Fraction(44100), line_standard="625_50").repetition) == 1


def test_memory_does_not_grow_with_the_file() -> None:
    """Half a minute of the worst kind: lists stop at their caps."""
    import tracemalloc

    block = Block(
        0, np.tile(np.array([[32764, 0], [32764, 0], [32764, 8], [4, 9000]], np.int16), (16384, 1)), 32768
    )
    analyser = DamageAnalyser(
        layout=STEREO_16, rate=RATE, frames=65536 * 24, declared_bits=14, max_events=500
    )
    sizes = []
    tracemalloc.start()
    for _ in range(24):
        analyser.take(block)
        sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    got = analyser.finish()
    assert len(got.events) <= 500
    assert got.left_out > 100_000
    assert sizes[-1] < sizes[12] + 200_000
