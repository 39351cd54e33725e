"""Decoding to planar, and products of short rows: the fast ways equal the plain ones to the last bit."""

from __future__ import annotations

import numpy as np
import pytest

from provpack.measure.block import Block
from provpack.measure.pcm import PcmLayout, samples, silent_frames
from provpack.measure.products import product


@pytest.mark.parametrize("channels", [1, 2, 3])
@pytest.mark.parametrize(("bits", "kind"), [(8, np.int16), (16, np.int16), (24, np.int32), (32, np.int32)])
def test_planar_is_the_code_over_full_scale(bits: int, kind: type[np.integer], channels: int) -> None:
    full = 1 << (bits - 1)
    rng = np.random.default_rng(bits)
    codes = rng.integers(-full, full, (1001, channels)).astype(kind)
    codes[:3] = [[-full], [full - 1], [-1]]
    planar = Block(0, codes, full).planar
    assert planar.dtype == np.float32 and planar.shape == (channels, 1001)
    assert np.array_equal(planar, (codes.T / full).astype(np.float32))


def test_planar_of_bytes_that_begin_anywhere() -> None:
    """The rest of a cut stream need not lie on even addresses."""
    codes = np.random.default_rng(1).integers(-32768, 32768, (500, 2)).astype("<i2")
    at_odd_address = np.frombuffer(b"x" + codes.tobytes(), dtype="<i2", offset=1).reshape(-1, 2)
    assert np.array_equal(Block(0, at_odd_address, 32768).planar, (codes.T / 32768).astype(np.float32))


@pytest.mark.parametrize("rows", [0, 1, 255, 256, 257, 1000])
def test_a_product_in_batches_is_the_product(rows: int) -> None:
    rng = np.random.default_rng(rows)
    a, b = rng.standard_normal((rows, 64)), rng.standard_normal((64, 16))
    expected = np.array([[float(row @ column) for column in b.T] for row in a]).reshape(rows, 16)
    assert product(a, b) == pytest.approx(expected, abs=1e-12)
    room = np.full((rows, 20), 7.0)
    product(np.concatenate((a, a), axis=1)[:, :64], b, room[:, :16])
    assert room[:, :16] == pytest.approx(expected, abs=1e-12)
    assert (room[:, 16:] == 7.0).all()


@pytest.mark.parametrize("count", [0, 1, 2, 3, 1000])
def test_24_bit_samples_are_the_integers_of_their_bytes(count: int) -> None:
    """int.from_bytes reads them one by one."""
    data = np.random.default_rng(count).bytes(3 * count)
    data = (b"\x00\x00\x80\xff\xff\x7f\xff\xff\xff" + data)[: 3 * count]
    expected = [int.from_bytes(data[at : at + 3], "little", signed=True) for at in range(0, 3 * count, 3)]
    for given in (data, memoryview(b"x" + data)[1:]):
        found = samples(given, PcmLayout(channels=1, container_bytes=3))
        assert found.dtype == np.int32 and found.tolist() == expected


@pytest.mark.parametrize("channels", [1, 2, 3])
@pytest.mark.parametrize("kind", [np.int16, np.int32])
def test_frames_of_silence(kind: type[np.integer], channels: int) -> None:
    codes = np.random.default_rng(channels).integers(-1, 2, (400, channels)).astype(kind)
    assert silent_frames(codes).tolist() == [not any(frame) for frame in codes.tolist()]
