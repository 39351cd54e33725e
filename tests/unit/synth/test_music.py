"""Invented music: the same every time, seamless over block borders, inside its place, flat in memory."""

from __future__ import annotations

import tracemalloc
from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from provpack.synth.music import RELEASE_S, VOICES, Piece, Voice, compose, render

FS = Fraction(44100)
FS_525 = Fraction(44100000, 1001)


def whole(pieces: tuple[Piece, ...], frames: int, block: int = 16384) -> NDArray[np.float64]:
    return np.concatenate(list(render(pieces, sampling_frequency=FS, frames=frames, block=block)), axis=1)


def test_the_same_piece_sounds_the_same_twice_and_in_other_blocks() -> None:
    piece = Piece(start_s=0.2, seconds=4, seed=11)
    once = whole((piece,), 4 * 44100)
    assert np.array_equal(once, whole((piece,), 4 * 44100))
    assert np.abs(once - whole((piece,), 4 * 44100, block=1000)).max() < 1e-12


def test_a_note_that_starts_between_the_last_frame_of_a_block_and_the_next() -> None:
    piece = Piece(start_s=100.5 / 44100, seconds=2, seed=11)
    assert np.array_equal(whole((piece,), 3000, block=101), whole((piece,), 3000))
    assert not whole((piece,), 3000)[:, :101].any()


def test_another_seed_is_another_piece() -> None:
    one, other = (compose(Piece(start_s=0, seconds=8, seed=seed)) for seed in (1, 2))
    assert one != other


@pytest.mark.parametrize("seconds", [1.0, 2.0, 7.2, 14.8])
@pytest.mark.parametrize("tempo", [60, 84, 132])
def test_notes_stay_inside_the_piece_and_in_hearing(seconds: float, tempo: float) -> None:
    for seed in range(5):
        notes = compose(Piece(start_s=3.0, seconds=seconds, seed=seed, tempo=tempo, minor=bool(seed % 2)))
        assert min(n.start_s for n in notes) >= 3.0
        assert max(n.start_s + n.length_s + RELEASE_S for n in notes) <= 3.0 + seconds + 1e-9
        assert all(40 < n.hertz < 2000 for n in notes)


@pytest.mark.parametrize("voice", VOICES)
def test_each_voice_sounds_alone(voice: Voice) -> None:
    sound = whole((Piece(start_s=0, seconds=3, seed=5, voices=(voice,)),), 3 * 44100)
    assert np.sqrt(np.mean(sound**2)) > 0.005
    assert {n.voice for n in compose(Piece(start_s=0, seconds=3, seed=5, voices=(voice,)))} == {voice}


def test_silence_before_and_long_after_a_piece_is_exact() -> None:
    sound = whole((Piece(start_s=1.0, seconds=3, seed=5),), 6 * 44100)
    assert not sound[:, : 44100 - 1].any()
    assert not sound[:, int(4.4 * 44100) :].any()  # 0.2 s for the room, and then nothing
    assert sound[:, 44100 : 2 * 44100].any()


def test_levels_leave_room_for_the_emphasis_and_the_channels_differ() -> None:
    sound = whole((Piece(start_s=0, seconds=6, seed=3),), 6 * 44100)
    peak = np.abs(sound).max(axis=1)
    assert (peak > 0.3).all()
    assert (peak < 0.95).all()
    assert np.abs(sound[0] - sound[1]).max() > 0.05


def test_the_pitch_is_the_same_at_both_sampling_frequencies() -> None:
    """A tape of the other line standard is sampled more slowly; the music stays in tune in real time."""
    piece = Piece(start_s=0, seconds=2, seed=9, voices=("bass",))
    note = compose(piece)[0].hertz
    for fs in (FS, FS_525):
        sound = np.concatenate(list(render((piece,), sampling_frequency=fs, frames=32768)), axis=1)[0]
        spectrum = np.abs(np.fft.rfft(sound * np.hanning(32768)))
        at = np.fft.rfftfreq(32768, 1 / float(fs))[: len(spectrum)]
        near = (at > note * 0.9) & (at < note * 1.1)
        assert at[near][spectrum[near].argmax()] == pytest.approx(note, abs=2 * float(fs) / 32768)


def test_memory_does_not_grow_with_the_tape() -> None:
    def peak(seconds: int) -> int:
        tracemalloc.start()
        pieces = (Piece(start_s=0, seconds=seconds, seed=1, voices=("melody",)),)
        for _ in render(pieces, sampling_frequency=FS, frames=seconds * 44100):
            pass
        highest = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return highest

    peak(24)  # the tables are made once
    assert peak(24) < 1.2 * peak(4) + 200_000


@pytest.mark.parametrize(("frames", "block"), [(-1, 10), (10, 0)])
def test_senseless_sizes_are_refused(frames: int, block: int) -> None:
    with pytest.raises(ValueError, match="frames must be"):
        list(render((), sampling_frequency=FS, frames=frames, block=block))


def test_a_tape_without_pieces_is_silent() -> None:
    assert not whole((), 3000).any()
