"""Digests against published test vectors and against hashlib over the whole."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provpack.edge.workers import crew
from provpack.errors import Bug
from provpack.measure.digests import BlockDigestSink, Buffer, DigestSink
from provpack.measure.fanout import Fanout


def test_sha256_and_sha512_of_abc() -> None:
    """FIPS 180-4 example "abc" (NIST example values; from memory, the figures everyone knows)."""
    for name, expected in (
        ("sha256", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            "sha512",
            "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
            "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
        ),
    ):
        sink = DigestSink(name)
        sink.feed(b"a")
        sink.feed(memoryview(b"bc"))
        assert sink.finish().hexdigest == expected
        assert sink.finish().size == 3


@given(data=st.binary(max_size=400), block=st.integers(1, 90), piece=st.integers(1, 70))
def test_block_digests_do_not_depend_on_how_the_bytes_arrive(data: bytes, block: int, piece: int) -> None:
    sink = BlockDigestSink(block)
    for at in range(0, len(data), piece):
        sink.feed(data[at : at + piece])
    got = sink.finish()
    assert got.size == len(data)
    assert list(got.hexdigests) == [
        hashlib.sha256(data[at : at + block]).hexdigest() for at in range(0, len(data), block)
    ]


def test_a_block_of_nothing_is_refused() -> None:
    with pytest.raises(Bug):
        BlockDigestSink(0)


def test_fanout_feeds_every_sink_the_same_bytes_on_two_threads() -> None:
    sinks = [DigestSink("sha512"), DigestSink("sha256"), DigestSink("sha256")]
    written: list[bytes] = []
    data = bytes(range(256)) * 400
    with crew(2) as run_all:
        fan = Fanout(sinks, run_all)
        for at in range(0, len(data), 7000):
            part = data[at : at + 7000]
            fan.feed(part, [lambda part=part: written.append(part)])
    assert b"".join(written) == data
    assert sinks[0].finish().hexdigest == hashlib.sha512(data).hexdigest()
    assert sinks[1].finish() == sinks[2].finish()


def test_an_error_in_one_task_reaches_the_caller() -> None:
    def fail() -> None:
        raise OSError("disk gone")

    with crew(2) as run_all, pytest.raises(OSError, match="disk gone"):
        Fanout([DigestSink("sha256")], run_all).feed(b"x", [fail])


def test_without_a_scheduler_the_sinks_are_fed_one_after_the_other_in_their_order() -> None:
    seen: list[tuple[str, bytes]] = []

    class Noting:
        def __init__(self, name: str) -> None:
            self.name = name

        def feed(self, data: Buffer) -> None:
            seen.append((self.name, bytes(data)))

    fanout = Fanout([Noting("heavy"), Noting("light")])
    fanout.feed(b"one")
    fanout.feed(b"two", extra=[lambda: seen.append(("copy", b""))])
    assert seen == [("heavy", b"one"), ("light", b"one"), ("heavy", b"two"), ("light", b"two"), ("copy", b"")]
