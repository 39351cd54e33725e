"""The results of very many units, kept small.

A result with its findings and digests is kilobytes of objects; a night over a hundred thousand packages would
keep a gigabyte of them until it is told. So each is packed as it is settled, into some two hundred bytes of
memory (no file: a full disk must not cost a result), and unpacked when somebody looks at it.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from fractions import Fraction
from functools import cache
from typing import Any, overload

from provpack.findings import Finding
from provpack.jobs.verified import Examined, Tally, UnitResult
from provpack.package.bagblocks import BlockRange, Damage

_PLAIN, _NOTABLE = b"\0", b"\1"

_RAW = -15
"""No header and no check sum: this never leaves the memory of the process."""

_KINDS: tuple[type, ...] = (UnitResult, Finding, Examined, Damage, BlockRange)
_NAMES = tuple(tuple(field.name for field in fields(kind)) for kind in _KINDS)
_NUMBERS = {kind: number for number, kind in enumerate(_KINDS)}
_TUPLE, _LIST, _FRACTION = "t", "l", "f"


class PackedUnits(Sequence[UnitResult]):
    """The results of at most `size` units, in the order of their numbers, in whatever order they come.

    Each look at one gives a new object, equal to what was put. tally: what all of them amount to.
    """

    __slots__ = ("_count", "_packed", "tally")

    def __init__(self, size: int) -> None:
        self._packed: list[bytes | UnitResult | None] = [None] * size
        self._count = 0
        self.tally = Tally()

    def put(self, number: int, unit: UnitResult) -> None:
        """Take the result of the unit of this number (0 to size - 1); each comes once."""
        if self.has(number):
            raise ValueError(f"unit {number} has its result already")
        try:
            self._packed[number] = (_NOTABLE if unit.is_notable else _PLAIN) + _pack(unit)
        except (TypeError, ValueError):  # something of another kind is in it; no result may be lost for that
            self._packed[number] = unit
        self._count += 1
        self.tally.add(unit)

    def has(self, number: int) -> bool:
        """Whether the result of this number is there."""
        return self._packed[number] is not None

    def of(self, number: int) -> UnitResult:
        """The result of the unit of this number. Raises KeyError when it has none."""
        packed = self._packed[number]
        if packed is None:
            raise KeyError(number)
        return _unpack(packed)

    def close_up(self) -> PackedUnits:
        """The same without gaps: indices and numbers go apart from here on."""
        if self._count < len(self._packed):
            self._packed = [packed for packed in self._packed if packed is not None]
        return self

    def notable(self) -> Iterator[UnitResult]:
        """Those of which there is more to say than that they are good; the others are not unpacked."""
        there = (packed for packed in self._packed if packed is not None)
        return (_unpack(packed) for packed in there if _is_notable(packed))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence):
            return NotImplemented
        return len(self) == len(other) and all(one == two for one, two in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[UnitResult]:
        return (_unpack(packed) for packed in self._packed if packed is not None)

    @overload
    def __getitem__(self, index: int) -> UnitResult: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[UnitResult, ...]: ...
    def __getitem__(self, index: int | slice) -> UnitResult | tuple[UnitResult, ...]:
        there = self._packed
        if self._count < len(there):
            there = [packed for packed in there if packed is not None]
        if isinstance(index, slice):
            return tuple(_unpack(packed) for packed in there[index] if packed is not None)
        packed = there[index]
        assert packed is not None
        return _unpack(packed)


def _pack(unit: UnitResult) -> bytes:
    squeeze = zlib.compressobj(1, zlib.DEFLATED, _RAW, zdict=_alike())
    return squeeze.compress(_as_text(unit)) + squeeze.flush()


def _is_notable(packed: bytes | UnitResult) -> bool:
    return packed.startswith(_NOTABLE) if isinstance(packed, bytes) else packed.is_notable


def _unpack(packed: bytes | UnitResult) -> UnitResult:
    if isinstance(packed, UnitResult):
        return packed
    text = zlib.decompressobj(_RAW, zdict=_alike()).decompress(memoryview(packed)[1:])
    unit = _given_back(json.loads(text))
    assert isinstance(unit, UnitResult)
    return unit


def _as_text(unit: UnitResult) -> bytes:
    return json.dumps(_taken_apart(unit), separators=(",", ":")).encode("ascii")


def _taken_apart(value: Any) -> Any:
    """The value in what JSON knows; arrays begin with what they were. Raises TypeError for what is neither
    plain nor one of _KINDS."""
    if isinstance(value, str | int | float | None):
        return value
    if isinstance(value, Mapping):
        return {key: _taken_apart(inner) for key, inner in value.items()}
    if isinstance(value, tuple | list):
        return [_TUPLE if isinstance(value, tuple) else _LIST, *map(_taken_apart, value)]
    if isinstance(value, Fraction):
        return [_FRACTION, value.numerator, value.denominator]
    number = _NUMBERS.get(type(value))
    if number is None:
        raise TypeError(f"{type(value).__name__} is not packed")
    return [number, *(_taken_apart(getattr(value, name)) for name in _NAMES[number])]


def _given_back(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _given_back(inner) for key, inner in value.items()}
    if not isinstance(value, list):
        return value
    kind, *inner = value
    if kind == _FRACTION:
        return Fraction(*inner)
    parts = map(_given_back, inner)
    if kind in (_TUPLE, _LIST):
        return tuple(parts) if kind == _TUPLE else list(parts)
    return _KINDS[kind](**dict(zip(_NAMES[kind], parts, strict=True)))


@cache
def _alike() -> bytes:
    """What most results have in common, so that each costs only what is its own."""
    facts = dict.fromkeys(
        ("state", "principal", "fingerprint", "namespace", "signers", "sealed_at", "sealed_at_from")
    )
    unit = UnitResult(
        path="/",
        path_base64=None,
        outcome="good",
        depth="bytes",
        started_at="2026-01-01T00:00:00+00:00",
        finished_at="2026-01-01T00:00:01+00:00",
        ours=True,
        bag_version="1.0",
        payload_files=20,
        payload_bytes=1_000_000,
        bytes_read=1_000_000,
        algorithms=("sha256", "sha512"),
        examined=(
            Examined(
                topic="signature", state="missing",
                facts={**facts, "state": "missing", "namespace": "provpack-package"},
            ),
        ),
    )  # fmt: skip
    return _as_text(unit)
