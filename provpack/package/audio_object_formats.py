"""What a formatRegion says of the file and of the carrier: word lengths, rate, layout, sound field, emphasis.

Order of the elements: formatRegionType of aes57-2011-08-27.xsd.
"""

from __future__ import annotations

from typing import Any

from provpack.package.audio_object_face import Audio
from provpack.package.audio_object_regions import Stretch, frame_of
from provpack.package.audio_object_terms import PRE_EMPHASIS, SOUND_FIELD, TAPE_PRE_EMPHASIS, el, text
from provpack.package.premis_view import Json, at, spoken
from provpack.package.words import STANDARD_WORDS
from provpack.xmldoc import Node

# (type, line standard, mode) -> nominal speed. Source: domain note 1.6 (collectors' pages for Beta, a 2000
# magazine for VHS 625, a museum page for 8 mm). Speeds that are only remembered there are left out.
TAPE_SPEED = {
    ("betamax", "525_5994", "b1"): ("4.0", "CENTIMETRES_PER_SECOND"),
    ("betamax", "525_5994", "b2"): ("2.0", "CENTIMETRES_PER_SECOND"),
    ("betamax", "525_5994", "b3"): ("1.33", "CENTIMETRES_PER_SECOND"),
    ("vhs", "625_50", "sp"): ("23.39", "MILLIMETRES_PER_SECOND"),
    ("vhs", "625_50", "lp"): ("11.7", "MILLIMETRES_PER_SECOND"),
    ("vhs", "625_50", "ep"): ("7.8", "MILLIMETRES_PER_SECOND"),
    ("video8", "625_50", "sp"): ("20.05", "MILLIMETRES_PER_SECOND"),
}
_ON_VIDEO = ("eiaj_14", "ext_16", "pcm1_13", "pcm16x0")


def coded_bits(record: Json, mode: int | None) -> int | None:
    """Bits coded per sample on the carrier: the mode of the stretch, else what is declared of the whole."""
    declared = _bits(at(record, "carrier", "source_bit_depth"))
    return mode if mode is not None else declared


def master_format(audio: Audio, region: Stretch) -> list[Node | None]:
    """Format of a stretch of the master.

    bitDepth: through an analogue output, or from a lossy source, the file holds what the converter or
    decoder gave, so the captured word length; else what was coded. wordSize: bits per sample in the file.
    """
    record = audio.record
    analogue = at(record, "interface", "interface_type") == "analogue"
    no_bits = at(record, "carrier", "source_bit_depth") == "not_applicable"
    captured = _bits(at(record, "capture", "capture_word_length"))
    depth = captured if analogue or no_bits else coded_bits(record, region.mode)
    said = [PRE_EMPHASIS.get(region.file, PRE_EMPHASIS["unknown"]), *_tape(region)]
    return [
        text("bitDepth", depth),
        text("sampleRate", repr(float(audio.rate))),
        text("wordSize", _bits(at(record, "measured", "container_bits"))),
        text("trackLayout", f"{audio.channels} channel{'s' if audio.channels > 1 else ''}, interleaved"),
        text("soundField", sound_field(record)),
        text("equalization", "; ".join(said)),
    ]


def carrier_format(audio: Audio, region: Stretch, *, digital: bool) -> list[Node | None]:
    """Format of a stretch of the carrier; an analogue carrier has no sampling frequency and no bits."""
    record = audio.record
    bits = coded_bits(record, region.mode) if digital else None
    standard = str(at(record, "carrier", "line_standard"))
    on_video = at(record, "carrier", "recording_format") in _ON_VIDEO
    layout = f"PCM coded in a video signal, {STANDARD_WORDS.get(standard, 'line standard unknown')}"
    return [
        _speed(record),
        text("bitDepth", bits),
        text("sampleRate", repr(float(audio.rate))) if digital else None,
        text("wordSize", bits),
        text("trackLayout", layout if on_video else None),
        text("soundField", sound_field(record)),
        text("equalization", "; ".join(_tape(region))),
    ]


def _speed(record: Json) -> Node | None:
    """Tape speed where type, line standard and mode together settle it; an unknown mode has no speed."""
    carrier = at(record, "carrier")
    mode = spoken(at(carrier, "tape_speed_mode"))
    speed = TAPE_SPEED.get((spoken(at(carrier, "carrier_type")), spoken(at(carrier, "line_standard")), mode))
    if speed is None:
        return None
    figure, unit = speed
    note = el("speedNote", f"nominal speed of mode {mode}, which is declared; not measured")
    return el("speed", el("speedDesignated", figure, unit=unit), note)


def sound_field(record: Json) -> str:
    """The declared use of the channels."""
    use = str(at(record, "signal", "channel_use") or "unknown")
    note = spoken(at(record, "signal", "channel_use_note"))
    words = SOUND_FIELD.get(use, SOUND_FIELD["unknown"])
    return f"{words}: {note}" if use == "other" and note else words


def _tape(region: Stretch) -> list[str]:
    words = TAPE_PRE_EMPHASIS.get(region.tape, TAPE_PRE_EMPHASIS["unknown"])
    evidence = ", ".join(e.replace("_", " ") for e in region.evidence)
    return [words, f"evidence: {evidence}"] if evidence else [words]


def _bits(value: Any) -> int | None:
    """A number of bits above 0; None for not_applicable, unknown and 0."""
    return frame_of(value) or None
