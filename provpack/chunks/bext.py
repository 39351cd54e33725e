"""The `bext` chunk (EBU Tech 3285 v2, May 2011, 2.3; ITU-R BS.1352-3): lenient reading, strict writing."""

from __future__ import annotations

import datetime
import re
import struct
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from provpack.chunks import rules
from provpack.chunks.limits import MAX_HISTORY, Collector, decode_text, until_nul
from provpack.errors import RecordProblem
from provpack.findings import Finding

LENGTH = 602
"""Bytes before the coding history."""

NO_UMID = bytes(64)
UMID_LABEL = bytes.fromhex("060A2B34")
"""First bytes of every SMPTE ST 330 universal label."""

NOT_MEASURED = 0x7FFF
_HEAD = struct.Struct("<256s32s32s10s8sQH64s5h180s")
_TEXTS = ("description", "originator", "originator_reference", "origination_date", "origination_time")
_WIDTHS = (256, 32, 32, 10, 8)
_LOUDNESS = (
    "loudness_value", "loudness_range", "max_true_peak", "max_momentary", "max_short_term",
)  # fmt: skip
_DATE = re.compile(r"([0-9]{4})(.)([0-9]{2})(.)([0-9]{2})", re.DOTALL)
_TIME = re.compile(r"([0-9]{2})(.)([0-9]{2})(.)([0-9]{2})", re.DOTALL)
_SEPARATORS = "-_: ."


@dataclass(frozen=True, slots=True, kw_only=True)
class Bext:
    """The fields of a bext chunk.

    Texts are cut at the first NUL, dates as they stand. time_reference: sample frames since midnight, 64
    bits unsigned. umid: 64 bytes, all zero for none (and always for version 0). Loudness in LUFS, LU or
    dBTP, None where not measured or not valid (and always below version 2).
    """

    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""
    origination_time: str = ""
    time_reference: int = 0
    version: int = 2
    umid: bytes = NO_UMID
    loudness_value: Decimal | None = None
    loudness_range: Decimal | None = None
    max_true_peak: Decimal | None = None
    max_momentary: Decimal | None = None
    max_short_term: Decimal | None = None
    coding_history: str = ""

    @property
    def umid_is_valid(self) -> bool:
        """Whether umid starts with the universal label of SMPTE ST 330."""
        return self.umid.startswith(UMID_LABEL)

    @property
    def iso_date(self) -> str | None:
        """origination_date as yyyy-mm-dd, None when it is no calendar date; any separator is accepted."""
        match = _DATE.fullmatch(self.origination_date)
        if match is None:
            return None
        try:
            return datetime.date(int(match[1]), int(match[3]), int(match[5])).isoformat()
        except ValueError:
            return None

    @property
    def iso_time(self) -> str | None:
        """origination_time as hh:mm:ss, None when it is no time of day."""
        match = _TIME.fullmatch(self.origination_time)
        if match is None or int(match[1]) > 23 or int(match[3]) > 59 or int(match[5]) > 59:
            return None
        return f"{match[1]}:{match[3]}:{match[5]}"


def parse_bext(data: bytes, where: str = "") -> tuple[Bext | None, tuple[Finding, ...]]:
    """The fields of a chunk body, None when it has fewer than 602 bytes; and what is wrong. Never raises.

    Offsets in findings count from the first byte of the body.
    """
    found = Collector(where)
    if len(data) < LENGTH:
        found.add(
            rules.BEXT_SHORT, f"The bext chunk has {len(data)} bytes, {LENGTH} are needed.", chunk="bext"
        )
        return None, found.done()
    parts = _HEAD.unpack_from(data)
    time_reference, version, umid = parts[5:8]
    if version > 2:
        found.add(rules.BEXT_VERSION, f"The bext chunk says version {version}.", offset=346, chunk="bext")
    texts = [_text(name, raw, found) for name, raw in zip(_TEXTS, parts[:5], strict=True)]
    history = until_nul(data[LENGTH:])
    if len(history) > MAX_HISTORY:
        found.add(
            rules.CHUNK_LARGE,
            f"The coding history has {len(history)} bytes; the first {MAX_HISTORY} are read.",
            offset=LENGTH,
            chunk="bext",
        )
        history = history[:MAX_HISTORY]
    elif data[LENGTH + len(history) :].strip(b"\0"):
        _stray("Bytes follow the first NUL of coding_history.", LENGTH + len(history), found)
    loudness = _loudness(parts[8:13], version, found)
    bext = Bext(
        description=texts[0],
        originator=texts[1],
        originator_reference=texts[2],
        origination_date=texts[3],
        origination_time=texts[4],
        time_reference=time_reference,
        version=version,
        umid=_umid(umid, version, found),
        loudness_value=loudness[0],
        loudness_range=loudness[1],
        max_true_peak=loudness[2],
        max_momentary=loudness[3],
        max_short_term=loudness[4],
        coding_history=_decoded("coding_history", history, LENGTH, found),
    )
    if bext.iso_date is None:
        _bad_date("date", bext.origination_date, 320, found)
    elif bext.origination_date != bext.iso_date:
        found.add(
            rules.BEXT_DATE,
            f"The origination date {bext.origination_date!r} does not use hyphens; it is {bext.iso_date}.",
            offset=320,
            chunk="bext",
            severity="note",
        )
    if bext.iso_time is None:
        _bad_date("time", bext.origination_time, 330, found)
    reserved = {0: 348, 1: 412}.get(version, 422)
    if any(data[reserved:LENGTH]):
        _stray(f"The reserved bytes of version {version} are not zero.", reserved, found)
    return bext, found.done()


def _text(name: str, raw: bytes, found: Collector) -> str:
    offset = sum(_WIDTHS[: _TEXTS.index(name)])
    text = until_nul(raw)
    if raw[len(text) :].strip(b"\0"):
        _stray(f"Bytes follow the first NUL of {name}.", offset + len(text), found)
    return _decoded(name, text, offset, found)


def _stray(what: str, offset: int, found: Collector) -> None:
    found.add(rules.BEXT_AFTER_NUL, what, offset=offset, chunk="bext")


def _decoded(name: str, raw: bytes, offset: int, found: Collector) -> str:
    text, ascii_only = decode_text(raw)
    if not ascii_only:
        found.add(
            rules.TEXT_NOT_ASCII, f"{name} of bext has bytes outside ASCII.", offset=offset, chunk="bext"
        )
    return text


def _bad_date(kind: str, text: str, offset: int, found: Collector) -> None:
    if text.strip():
        what = f"The origination {kind} {text!r} is not one."
        found.add(rules.BEXT_DATE, what, offset=offset, chunk="bext")
    else:
        what = f"The origination {kind} is not given."
        found.add(rules.BEXT_DATE, what, offset=offset, chunk="bext", severity="note")


def _umid(raw: bytes, version: int, found: Collector) -> bytes:
    if version < 1:
        return NO_UMID
    if any(raw) and not raw.startswith(UMID_LABEL):
        found.add(
            rules.UMID_BAD,
            f"The UMID starts with {raw[:4].hex()}, not with {UMID_LABEL.hex()}.",
            offset=348,
            chunk="bext",
        )
    return raw


def _loudness(words: tuple[int, ...], version: int, found: Collector) -> list[Decimal | None]:
    nothing: list[Decimal | None] = [None] * len(_LOUDNESS)
    if version < 2:
        return nothing
    if not any(words):
        found.add(rules.LOUDNESS_ZERO, "All five loudness words are 0.", offset=412, chunk="bext")
        return nothing
    values: list[Decimal | None] = []
    for index, (name, word) in enumerate(zip(_LOUDNESS, words, strict=True)):
        valid = _lowest(name) <= word <= 9999
        values.append(Decimal(word).scaleb(-2) if valid else None)
        if not valid and word != NOT_MEASURED:
            found.add(rules.LOUDNESS_BAD, f"{name} is {word}/100.", offset=412 + 2 * index, chunk="bext")
    return values


def _lowest(name: str) -> int:
    return 0 if name == "loudness_range" else -9999


# -- writing -----------------------------------------------------------------------------------------


def build_bext(b: Bext) -> bytes:
    """The chunk body: 602 bytes and the coding history. Raises RecordProblem for anything not lawful.

    Strict: ASCII only, texts no longer than their fields, real dates (or none), version 0 to 2 with only
    the fields that version has, a coding history of complete CR LF rows. Loudness is rounded half away from
    zero (Tech 3285 v2 example, from memory); None and infinite values become 7FFFh. The body has an even
    size, if need be by one NUL after the history: some readers trip over odd chunks ahead of the audio.
    """
    texts = [_field(name, getattr(b, name), width) for name, width in zip(_TEXTS, _WIDTHS, strict=True)]
    if b.origination_date and (b.iso_date is None or not set(b.origination_date[4::3]) <= set(_SEPARATORS)):
        raise _refused("origination_date", f"{b.origination_date!r} is not a date yyyy-mm-dd")
    if b.origination_time and (b.iso_time is None or not set(b.origination_time[2::3]) <= set(_SEPARATORS)):
        raise _refused("origination_time", f"{b.origination_time!r} is not a time hh:mm:ss")
    if not 0 <= b.time_reference < 2**64:
        raise _refused("time_reference", f"{b.time_reference} does not fit 64 bits unsigned")
    if b.version not in (0, 1, 2):
        raise _refused("version", f"{b.version} is not 0, 1 or 2")
    if len(b.umid) != 64 or (b.umid != NO_UMID and not (b.umid_is_valid and b.version)):
        raise _refused("umid", "it must be 64 bytes, all zero or a UMID (SMPTE ST 330; version 1 or 2)")
    words = [_word(name, getattr(b, name)) for name in _LOUDNESS]
    if b.version < 2:
        if any(w != NOT_MEASURED for w in words):
            raise _refused("version", f"version {b.version} has no loudness fields")
        words = [0] * 5
    head = _HEAD.pack(*texts, b.time_reference, b.version, b.umid, *words, bytes(180))
    return head + _history(b.coding_history)


def _field(name: str, text: str, width: int) -> bytes:
    allowed = "\t\r\n" if name == "description" else ""
    raw = _ascii(name, text, allowed)
    if len(raw) > width:
        raise _refused(name, f"it has {len(raw)} characters, {width} fit")
    return raw


def _history(text: str) -> bytes:
    if text and (not text.endswith("\r\n") or re.search(r"\r(?!\n)|(?<!\r)\n", text)):
        raise _refused("coding_history", "every row must end with CR LF")
    raw = _ascii("coding_history", text, "\r\n")
    return raw + b"\0" * (len(raw) % 2)


def _ascii(name: str, text: str, also: str) -> bytes:
    for position, char in enumerate(text, 1):
        if not " " <= char <= "~" and char not in also:
            raise _refused(
                name, f"character {position} is U+{ord(char):04X}; only printable ASCII is allowed"
            )
    return text.encode("ascii")


def _word(name: str, value: Decimal | None) -> int:
    if value is None or not value.is_finite():
        return NOT_MEASURED
    word = int((value * 100).quantize(Decimal(1), rounding=ROUND_HALF_UP)) if abs(value) < 1000 else 99999
    if not _lowest(name) <= word <= 9999:
        raise _refused(name, f"{value} is outside {_lowest(name) / 100:.2f} to 99.99")
    return word


def _refused(field: str, why: str) -> RecordProblem:
    return RecordProblem(
        "bext-field-refused",
        f"The bext field {field} cannot be written: {why}.",
        where=f"bext {field}",
        todo="Correct or shorten the value (EBU Tech 3285 v2, 2.3); keep the full text in the record.",
    )
