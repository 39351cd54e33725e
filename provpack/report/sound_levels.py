"""Levels, bits in use and loudness in words and tables."""

from __future__ import annotations

from fractions import Fraction

from provpack.package.figures import channel_names, count, number
from provpack.package.readfirst_words import section
from provpack.report.picture_bits import bits, width_words
from provpack.report.picture_loudness import loudness
from provpack.report.sound_parts import Json, Part, Sheet, decibels, figure, length, sentences, where

LINES_MAX = 20


def levels_part(measurements: Json, container_bits: int) -> Part | None:
    """Sample peak, true peak, RMS, DC, bits, clipping per channel; None for a file before schema 1.1."""
    channels = measurements.get("channels") or ()
    if not any("rms_dbfs" in c for c in channels):
        return None
    full = float(1 << (container_bits - 1))
    silent = "digital silence"
    lines = []
    for name, c in zip(channel_names(len(channels)), channels, strict=True):
        clipped = c.get("clipped") or {}
        lines.append(
            (
                name,
                figure(c.get("peak_dbfs"), "dBFS", none=silent),
                figure(c.get("true_peak_dbtp"), "dBTP", none=silent),
                figure(c.get("rms_dbfs"), "dBFS", none=silent),
                _dc(c.get("dc_offset_codes"), full),
                _bits(c.get("effective_bits")),
                _clipped(clipped),
            )
        )
    sheets = [
        Sheet(
            caption="Levels of each channel",
            columns=("Channel", "Sample peak", "True peak", "RMS", "DC offset", "Bits in use", "Clipped"),
            lines=tuple(lines),
        )
    ]
    return Part(
        ident="levels",
        title="Levels",
        said=sentences([_dc_over_time(measurements, full)]),
        sheets=tuple(sheets),
        limits=sentences(
            [
                _clipping_words(measurements),
                "RMS includes any DC; a full-scale sine reads −3.0 dBFS. True peak is read at four times the "
                "sampling frequency (ITU-R BS.1770). No reference level was recorded on such carriers, so "
                "none "
                "is given.",
            ]
        ),
    )


def _dc(codes: float | None, full: float) -> str:
    if codes is None:
        return "no samples"
    level = decibels(codes / full)
    return figure(codes, "codes", 2) + (f" ({figure(level, 'dBFS', 0)})" if level is not None else "")


def _bits(used: int | None) -> str:
    return "does not apply" if used is None else width_words(used)


def _clipped(clipped: Json) -> str:
    runs = int(clipped.get("runs") or 0)
    if not runs:
        return "no"
    samples, longest = int(clipped.get("samples") or 0), int(clipped.get("longest") or 0)
    return f"{count(runs, 'run', 'runs')}, {number(samples)} samples, longest {number(longest)}"


def _clipping_words(measurements: Json) -> str:
    info = measurements.get("clipping")
    if not info:
        return ""
    at = f"{number(int(info['top_code']))} and {number(int(info['bottom_code']))}"
    if info.get("word_length_declared"):
        return (
            f"Clipping: three or more equal samples at {at}, the outermost codes of the declared word length."
        )
    return (
        f"Clipping: three or more equal samples at {at}, the outermost codes of the file: no word length is "
        "declared, and a recording of fewer bits may clip below them unseen."
    )


def _dc_over_time(measurements: Json, full: float) -> str:
    history = measurements.get("dc_history") or {}
    values = [v for v in history.get("values") or () if v]
    if len(values) < 2:
        return ""
    names = channel_names(len(measurements.get("channels") or ()))
    said = []
    for n, name in enumerate(names[: min(len(v) for v in values)]):
        codes = [v[n] * full for v in values]
        said.append(f"{name} between {figure(min(codes), '', 2)} and {figure(max(codes), 'codes', 2)}")
    return f"DC offset over time, in {number(len(values))} pieces: {'; '.join(said)}."


def bits_part(measurements: Json, rate: Fraction | None) -> Part | None:
    """Bits in use per block and per stretch."""
    picture = bits(measurements, rate)
    if picture is None:
        return None
    channels = measurements.get("channels") or ()
    usual = (measurements.get("bits") or {}).get("usual_bits")
    rows = [
        (int(s["start"]), int(s["length"]), int(s["bits"]), name)
        for name, c in zip(channel_names(len(channels)), channels, strict=True)
        for s in c.get("bits_stretches") or ()
    ]
    rows.sort()
    sheets = []
    if rows:
        sheets.append(
            Sheet(
                caption="Stretches with another width",
                columns=("From", "Length", "Channel", "Bits in use"),
                lines=tuple(
                    (where(start, rate), length(frames, rate), name, width_words(used))
                    for start, frames, used, name in rows[:LINES_MAX]
                ),
                more=max(0, len(rows) - LINES_MAX),
            )
        )
    said = f"The width found most is {usual} bits."
    if (measurements.get("clipping") or {}).get("word_length_declared"):
        said = f"Expected, as declared: {usual} bits."
    if not any(c.get("effective_bits") for c in channels):
        said = "Every sample is zero: no bits are in use."
    return Part(
        ident="bits",
        title="Bits in use",
        said=(said,),
        picture=picture,
        sheets=tuple(sheets),
        limits=(
            "Bits in use are those not zero in every sample looked at. A 14-bit recording read as 16 bits "
            "shows "
            "16, a 16-bit one read as 14 shows 14; samples cannot tell the first from a true 16-bit "
            "recording or "
            "from later processing.",
        ),
    )


def loudness_part(measurements: Json, record: Json, rate: Fraction | None) -> Part | None:
    """Programme loudness, with what the emphasis in the file does to it."""
    found = measurements.get("loudness")
    if not found:
        return None
    none = "cannot be stated: silent or too short"
    lines = (
        ("Integrated", figure(found.get("integrated_lufs"), "LUFS", none=none), "the whole file, gated"),
        ("Loudness range", figure(found.get("range_lu"), "LU", none=none), "from soft to loud passages"),
        ("Maximum short-term", figure(found.get("max_short_term_lufs"), "LUFS", none=none), "any 3 seconds"),
        ("Maximum momentary", figure(found.get("max_momentary_lufs"), "LUFS", none=none), "any 0.4 seconds"),
        (
            "Maximum true peak",
            figure(found.get("max_true_peak_dbtp"), "dBTP", none="digital silence"),
            "all channels",
        ),
    )
    picture = loudness(measurements, rate)
    gated, gating = int(found.get("gated_blocks") or 0), int(found.get("gating_blocks") or 0)
    return Part(
        ident="loudness",
        title="Loudness",
        said=sentences([_emphasised(record) if found.get("max_momentary_lufs") is not None else ""]),
        picture=picture,
        sheets=(Sheet(caption="Programme loudness", columns=("Figure", "Value", "Of what"), lines=lines),),
        limits=sentences(
            [
                f"Measured after ITU-R BS.1770-5, EBU Tech 3341 and 3342. {number(gated)} of "
                f"{count(gating, 'block', 'blocks')} of 0.4 seconds were loud enough to count."
                + ("" if picture else " There is no picture: no 3 seconds with sound."),
                *(found.get("notes") or ()),
            ]
        ),
    )


def _emphasised(record: Json) -> str:
    state = section(record, "signal").get("file_emphasis")
    if state in ("present", "mixed"):
        return (
            "The file carries pre-emphasis, and it was measured as it is: what a listener hears after "
            "de-emphasis is less loud than these figures, the more so the brighter the sound."
        )
    if state == "unknown":
        return (
            "Nobody knows whether the file carries pre-emphasis. If it does, what a listener hears after "
            "de-emphasis is less loud than these figures."
        )
    return ""
