"""Relation of the channels, frequencies, the line whistle and the emphasis hints, in words and tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction

from provpack.package.figures import channel_names, count, number
from provpack.report.html_words import WORDS
from provpack.report.picture_spectrogram import spectrogram
from provpack.report.picture_spectrum import spectrum
from provpack.report.sound_parts import Json, Part, Sheet, figure, sentences, where

RELATIONS: Mapping[str, str] = {
    "mono": "The file has one channel.",
    "stereo": "Stereo: the channels differ and share sound.",
    "dual_mono": "Dual mono: both channels hold the same sound.",
    "inverted": "One channel is upside down: the channels are each other's negative, or nearly so.",
    "one_silent": "One channel is silent throughout.",
    "skewed": "The channels are half a sample apart, as after one converter that served both in turn.",
    "multichannel": "The file has more than two channels; they were not compared.",
    "undetermined": "Undetermined: the sound does not tell how the channels relate.",
}
VERDICTS: Mapping[str, str] = {
    "consistent": "Consistent: the line tone found fits the declared sampling frequency.",
    "against": "Against: the line tone found does not fit the declared sampling frequency.",
    "no_pilot": "No line tone was found: the sampling frequency could not be checked this way.",
}
STRENGTHS: Mapping[int, str] = {3: "3 of 5 (medium)", 4: "4 of 5 (weak)", 5: "5 of 5 (weakest)"}
NEVER = (
    "None of these hints decides anything: whether there is pre-emphasis is known only from the control bit, "
    "the decoder's lamp or the channel status, and the declared state above stands whatever the hints say. "
    "Strength 1 would be proof; strengths 1 and 2 are never in the sound itself."
)


def channels_part(measurements: Json, rate: Fraction | None) -> Part | None:
    """How the channels relate, with the delay between them or why there is none."""
    found = measurements.get("relation")
    if not found:
        return None
    relation = str(found.get("relation"))
    lines = []
    if relation not in ("mono", "multichannel"):
        lines = [
            (
                "Correlation",
                figure(found.get("correlation"), "", 3, "not computed: no two sounding channels"),
            ),
            (
                "What differs between them",
                figure(found.get("difference_db"), "dB", none="not computed"),
            ),
            ("Delay of the right channel", _delay(found.get("delay") or {}, rate)),
            ("How sure the delay is", _delay_evidence(found.get("delay") or {})),
        ]
    sheets = (
        (Sheet(caption="Left against right", columns=("Figure", "Value"), lines=tuple(lines)),)
        if lines
        else ()
    )
    order = "Which channel is left and which is right cannot be told from the sound: undetermined."
    return Part(
        ident="channels",
        title="How the channels relate",
        said=sentences([RELATIONS.get(relation, relation), *(found.get("notes") or ())]),
        sheets=sheets,
        limits=(order,) if lines else (),
    )


def _delay(delay: Json, rate: Fraction | None) -> str:
    samples = delay.get("samples")
    if samples is None:
        return "undetermined: the sound gives no answer that can be relied on"
    error = delay.get("error")
    said = figure(samples, "samples", 3)
    if error is not None:
        said += f" ± {max(float(error), 0.001):.3f}"
    if rate is not None:
        said += f" ({figure(float(samples) / float(rate) * 1e6, 'µs', 1)})"
    if abs(float(samples)) >= 0.001:
        said += ": it comes " + ("later than" if float(samples) > 0 else "earlier than") + " the left"
    return said + ("; one of the two is upside down" if delay.get("inverted") else "")


def _delay_evidence(delay: Json) -> str:
    looked, answering = int(delay.get("looked_at") or 0), int(delay.get("answering") or 0)
    if not looked:
        return "no stretch could be looked at"
    agreeing = int(delay.get("agreeing") or 0)
    said = f"{count(looked, 'stretch', 'stretches')} looked at, {number(answering)} with an answer, "
    said += f"{number(agreeing)} of them agree"
    if delay.get("samples") is None and agreeing:
        said += ", which is too few to rely on"
    if delay.get("coherence") is not None:
        said += f"; mean coherence {figure(delay['coherence'], '', 2)} (1 = everything in common)"
    return said


def spectrum_part(measurements: Json) -> Part | None:
    """Long-term spectrum, bandwidth, hints at conversions."""
    channels = measurements.get("channels") or ()
    if "spectrum" not in measurements:
        return None
    picture = spectrum(measurements)
    names = channel_names(len(channels))
    lines = tuple(
        (
            name,
            figure(c.get("bandwidth_hz"), "Hz", 0, "cannot be told: too little above 10 kHz"),
            figure(c.get("slope_db_per_khz"), "dB per kHz", none="cannot be told"),
            figure(c.get("top_level_dbfs"), "dBFS", none="cannot be told"),
        )
        for name, c in list(zip(names, channels, strict=True))[:2]
    )
    sheets = [
        Sheet(
            caption="Upper end of the sound",
            columns=("Channel", "Bandwidth", "Slope from 19 to 21 kHz", "Level from 20 to 22 kHz"),
            lines=lines,
        )
    ]
    hints = measurements.get("conversion_hints") or ()
    if hints:
        sheets.append(
            Sheet(
                caption="Hints at an earlier conversion or lossy coding",
                columns=("Hint", "Strength", "Where", "Stretches that show it", "In words"),
                lines=tuple(
                    (
                        WORDS.get(str(h.get("kind")), str(h.get("kind"))),
                        str(h.get("strength")),
                        figure(h.get("hertz"), "Hz", 0),
                        f"{number(int(h.get('windows') or 0))} of {number(int(h.get('windows_able') or 0))}",
                        str(h.get("words", "")),
                    )
                    for h in hints
                ),
            )
        )
    left_out = f"Of {len(channels)} channels only the first two were looked at." if len(channels) > 2 else ""
    return Part(
        ident="spectrum",
        title="Frequencies",
        said=sentences(
            [
                "" if picture else "There is no spectrum: nothing but digital silence, or too short.",
                "Hints at an earlier conversion of the sampling frequency or at lossy coding: "
                + (f"{len(hints)}, none of them decisive." if hints else "none found.")
                if picture
                else "",
            ]
        ),
        picture=picture,
        sheets=tuple(sheets) if picture else (),
        limits=sentences(
            [
                "Bandwidth: the frequency under which 99.9 % of the power over 10 kHz lies. A dull "
                "programme hides "
                "what the recorder could do.",
                left_out,
            ]
        ),
    )


def spectrogram_part(measurements: Json, rate: Fraction | None) -> Part | None:
    """Spectrum over time."""
    if "spectrogram" not in measurements:
        return None
    picture = spectrogram(measurements, rate)
    said = "" if picture else "There is no picture: nothing but digital silence, or too short."
    return Part(
        ident="spectrogram",
        title="Frequencies over time",
        said=sentences([said]),
        picture=picture,
        limits=sentences([_looked_at(measurements) if picture else ""]),
    )


def _looked_at(measurements: Json) -> str:
    looked = measurements.get("looked_at") or {}
    every = int(looked.get("every_unit") or 1)
    used = number(int(looked.get("used") or 0))
    if every <= 1:
        return f"All of the sound was transformed ({used} windows of {looked.get('length')} frames)."
    ordinal = {2: "second", 3: "third", 4: "fourth"}.get(every, f"{every}th")
    return (
        f"Every {ordinal} piece of {number(int(looked.get('unit_frames') or 0))} frames was transformed "
        f"({used} windows "
        f"of {looked.get('length')} frames): a disturbance shorter than that can be missing here. Levels, "
        f"damage and "
        "the line tone were looked for in every frame."
    )


def whistle_part(measurements: Json) -> Part | None:
    """The line tone as a check of the declared rate."""
    found = measurements.get("line_whistle")
    if not found:
        return None
    lines = []
    for tone in found.get("tones") or ():
        for n, reading in enumerate(tone.get("readings") or ()):
            rate = reading.get("rate") or {}
            true = Fraction(int(rate.get("num", 0)), int(rate.get("den", 1)))
            lines.append(
                (
                    figure(tone.get("hertz"), "Hz", 3) if n == 0 else "the same tone",
                    figure(tone.get("level_dbfs"), "dBFS"),
                    f"{reading.get('source')}" + ("" if reading.get("broadcast") else " (rare)"),
                    figure(float(true), "Hz", 3),
                    figure(reading.get("offset_ppm"), "ppm"),
                )
            )
    sheets = (
        Sheet(
            caption="Line tones and what they may be",
            columns=("Tone, by the header", "Level", "May come from", "True rate then", "Off by"),
            lines=tuple(lines),
        ),
    )
    return Part(
        ident="whistle",
        title="Check of the sampling frequency by the line tone",
        said=sentences([VERDICTS.get(str(found.get("verdict")), ""), found.get("words")]),
        sheets=sheets if lines else (),
        limits=(
            "Picture lines leave a faint tone in many recordings; its pitch in the file tells the true "
            "rate. The "
            "verdict is a hint in either direction, never proof.",
        ),
    )


def emphasis_part(measurements: Json, rate: Fraction | None) -> Part | None:
    """Hints about pre-emphasis, and the sentence that they never decide."""
    if "emphasis_hints" not in measurements:
        return None
    hints: Sequence[Json] = measurements["emphasis_hints"] or ()
    lines = tuple(
        (
            WORDS.get(str(h.get("kind")), str(h.get("kind"))),
            STRENGTHS.get(int(h.get("strength") or 0), str(h.get("strength"))),
            f"{figure(h.get('figure'), '', 0 if h.get('unit') == 'bits' else 2)} {h.get('unit', '')}",
            "the whole file" if h.get("frame") is None else where(int(h["frame"]), rate),
            str(h.get("words", "")),
        )
        for h in hints
    )
    columns = ("Hint", "Strength", "Figure", "Where", "In words")
    sheet = Sheet(caption="Hints about pre-emphasis", columns=columns, lines=lines)
    return Part(
        ident="emphasis-hints",
        title="Hints about pre-emphasis",
        said=sentences([NEVER, "" if lines else "There are no hints."]),
        sheets=(sheet,) if lines else (),
    )
