"""Words and small builders of AES57-2011: namespaces, edit units, what the record's enumerations become.

Source: aes57-2011-08-27.xsd (element names, enumerations) and aes60-2011.xsd (`editUnitNumberType`: one edit
unit is 1/(editRate x factorNumerator/factorDenominator) seconds). `soundField`, `trackLayout` and
`equalization` are free text there; the words below are ours, one for each word of the record, so that they
can be read back.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from fractions import Fraction
from types import MappingProxyType

from provpack.xmldoc import Node

AES57 = "http://www.aes.org/audioObject"
XLINK = "http://www.w3.org/1999/xlink"
XSI = "http://www.w3.org/2001/XMLSchema-instance"
PREFIXES: Mapping[str, str] = MappingProxyType({"aes57": AES57, "xlink": XLINK, "xsi": XSI})
"""Whoever takes a node of ours into a document of their own must declare these prefixes: the value of
`xsi:type` names the first of them."""
SCHEMA_VERSION = "1.0.0"  # the only value the schema allows

SOUND_FIELD: Mapping[str, str] = MappingProxyType(
    {
        "mono": "MONO",
        "dual_mono": "DUAL MONO: the same signal in both channels",
        "stereo": "STEREO",
        "two_independent": "TWO INDEPENDENT SIGNALS",
        "left_only": "LEFT CHANNEL ONLY",
        "right_only": "RIGHT CHANNEL ONLY",
        "multitrack": "MULTITRACK",
        "other": "OTHER",
        "unknown": "UNKNOWN",
    }
)
"""signal.channel_use -> soundField."""

PRE_EMPHASIS: Mapping[str, str] = MappingProxyType(
    {
        "present": "pre-emphasis 50/15 microseconds: present in these samples",
        "removed": "pre-emphasis 50/15 microseconds: removed from these samples",
        "absent": "no pre-emphasis in these samples",
        "mixed": "pre-emphasis 50/15 microseconds: in parts of these samples, where is not stated",
        "unknown": "pre-emphasis: not known whether these samples carry it",
        "changing": "pre-emphasis 50/15 microseconds: changes in this region, see record.json",
    }
)
"""State of the samples -> opening words of equalization; all keys but the last are words of file_emphasis."""

TAPE_PRE_EMPHASIS: Mapping[str, str] = MappingProxyType(
    {
        "on": "on the carrier: on",
        "off": "on the carrier: off",
        "mixed": "on the carrier: in parts, where is not stated",
        "unknown": "on the carrier: not known",
        "not_applicable": "on the carrier: does not apply",
        "changing": "on the carrier: changes in this region",
    }
)
"""State of the recording -> words; all but the last are words of signal.tape_emphasis."""

# What each channel is called, and where it is heard: -1 left, 0 middle, 1 right (the scale of the schema's
# default 0 is not explained in it; taken from memory). None: nobody knows, so nothing is claimed.
_LEFT_RIGHT = (("left", "-1"), ("right", "1"))
CHANNELS: Mapping[str, tuple[tuple[str, str | None], ...]] = MappingProxyType(
    {
        "mono": (("mono", "0"),),
        "dual_mono": (("mono, first copy", "0"), ("mono, second copy", "0")),
        "stereo": _LEFT_RIGHT,
        "left_only": (("left, the channel in use", "-1"), ("right, declared unused", "1")),
        "right_only": (("left, declared unused", "-1"), ("right, the channel in use", "1")),
        "two_independent": (("first signal", None), ("second signal", None)),
    }
)


def el(name: str, *children: Node | str | None, **attrib: str | None) -> Node:
    """An AES57 element; children and attributes that are None are left out."""
    return Node(
        f"{{{AES57}}}{name}",
        {key: value for key, value in attrib.items() if value is not None},
        tuple(c for c in children if c is not None),
    )


def text(name: str, value: object | None) -> Node | None:
    """An AES57 element with text; None when there is nothing to say."""
    return None if value is None or value == "" else el(name, str(value))


def moment(said: str) -> str:
    """A date and time of the record as xsd:dateTime, which ends its zones at 14:00 (XML Schema 1.1 part 2,
    3.3.7.1); later ones are written in UTC."""
    if said[-6:-2] not in ("+14:", "-14:") or said.endswith("00"):
        return said
    try:
        return datetime.fromisoformat(said).astimezone(UTC).isoformat()
    except (ValueError, OverflowError):
        return said[:-6]


def edit_units(rate: Fraction) -> dict[str, str]:
    """The attributes that make one edit unit exactly one sample frame at this rate, Hz.

    44100000/1001 Hz is editRate 44100 with the factor 1000/1001; a whole rate has the factor 1/1; any other
    rate is the nearest whole number of hertz and the factor that mends it. No rounding in any of them.
    """
    video = rate * Fraction(1001, 1000)  # rates tied to 59.94 fields a second
    whole = rate.denominator == 1
    nominal = rate if whole else video if video.denominator == 1 else Fraction(max(1, round(rate)))
    factor = rate / nominal
    return {
        "editRate": str(nominal),
        "factorNumerator": str(factor.numerator),
        "factorDenominator": str(factor.denominator),
    }


def time_range(name: str, start: int, length: int, rate: Fraction) -> Node:
    """`timeline` or `timeRange`: start and length in sample frames."""
    units = edit_units(rate)
    return el(name, el("startTime", str(start), **units), el("duration", str(length), **units))
