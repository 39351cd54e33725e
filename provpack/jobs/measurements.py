"""What was measured, as documents: measurements.json in full, and the record's `measured` in short.

Figures are rounded to what they are worth (levels to a hundredth of a decibel, spectra to a tenth), so that
the documents stay small and no digit pretends to more than was measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import datetime
from fractions import Fraction
from typing import Any

from provpack import __version__
from provpack.measure.analysis import Analysis
from provpack.measure.bandwidth import ConversionHint
from provpack.measure.damage import ORDER, Damage
from provpack.measure.damage_segments import Event
from provpack.measure.emphasis import EmphasisHint
from provpack.measure.levels import ChannelLevel, Levels
from provpack.measure.loudness import Loudness
from provpack.measure.periodic import Periodicity
from provpack.measure.relation import ChannelRelation
from provpack.measure.spectral import Spectral
from provpack.measure.whistle import LEAST_WINDOWS, Tone, Whistle
from provpack.model.rates import frames_to_seconds, rate_to_json
from provpack.package import layout as places
from provpack.package.embedding import EMBEDDED_EVENTS, EMBEDDED_SILENCES

TOOL = "provpack"
MEASUREMENTS_VERSION = "1.1.0"
"""Version of schemas/measurements.schema.json that measurements_json follows."""

Json = dict[str, Any]
# Bounds of the record's texts and lists, so that room for them can be kept inside a master beforehand.
_WORDS, _NOTE, _MOST_HINTS = 600, 200, 8
_LONGEST_FLOAT = -2.2250738585072014e-308


def measured(levels: Levels, analysis: Analysis, rate: Fraction, at: datetime) -> Json:
    """The record's `measured` (schemas/transfer-record.schema.json): figures from the samples alone."""
    loudness, spectral, damage = analysis.loudness, analysis.spectral, analysis.damage
    delay, repetition = spectral.relation.delay, next(iter(damage.repetition), None)
    return {
        "tool": TOOL,
        "version": __version__,
        "at": at.isoformat(),
        "frames": levels.frames,
        "duration_s": round(float(frames_to_seconds(levels.frames, rate)), 6),
        "channels": len(levels.channels),
        "container_bits": levels.container_bits,
        "effective_bits": [c.effective_bits for c in levels.channels],
        "peak_dbfs": [c.peak_dbfs for c in levels.channels],
        "dc_offset": [c.dc_offset_codes for c in levels.channels],
        "digital_silence": [{"start": r.start, "length": r.length} for r in levels.digital_silence],
        "events_detected": [_event(e) for e in damage.events],
        "event_counts": dict(damage.counts),
        "events_left_out": damage.left_out,
        "channel_relation": spectral.relation.relation,
        "interchannel_delay": {
            "value_samples": _r(delay.samples, 3),
            "coherence": _r(delay.coherence, 3),
            "windows_agreeing": delay.agreeing,
            "windows": delay.looked_at,
        },
        "line_pilot_hz": _pilot(spectral.whistle),
        "rms_dbfs": [_r(c.rms_dbfs) for c in loudness.channels],
        "true_peak_dbtp": [_r(c.true_peak_dbtp) for c in loudness.channels],
        "loudness": _programme(loudness),
        "bandwidth_hz": _per_channel(spectral.bandwidth.hertz, len(levels.channels)),
        "clipped_samples": [c.samples for c in damage.clipping],
        "repetition": _repetition(repetition) if repetition is not None else None,
        "emphasis_hints": [_emphasis(h) for h in spectral.emphasis_hints[:_MOST_HINTS]],
        "conversion_hints": [_conversion(h) for h in spectral.bandwidth.hints[:_MOST_HINTS]],
        "details": places.MEASUREMENTS,
    }


def longest_measured(*, frames: int, channels: int, container_bits: int, at: datetime) -> Json:
    """A `measured` no shorter, once written, than any that such a file can get; its figures mean nothing."""
    number, words = _LONGEST_FLOAT, "\N{EM DASH}" * _WORDS
    event = {"type": "digital_silence", "start": frames, "length": frames, "channel": channels}
    event |= {"confidence": number, "note": "-" * _NOTE}
    hint = {"kind": "long_term_tilt", "strength": 5, "figure": number, "unit": "-" * 20, "frame": frames}
    each = [number] * channels
    return {
        "tool": TOOL,
        "version": __version__,
        "at": at.isoformat(),
        "frames": frames,
        "duration_s": number,
        "channels": channels,
        "container_bits": container_bits,
        "effective_bits": each,
        "peak_dbfs": each,
        "dc_offset": each,
        "digital_silence": [{"start": frames, "length": frames}] * (EMBEDDED_SILENCES + 1),
        "events_detected": [event] * (EMBEDDED_EVENTS + 1),
        "event_counts": dict.fromkeys(ORDER, frames * channels),
        "events_left_out": frames * channels,
        "channel_relation": "undetermined",
        "interchannel_delay": {
            "value_samples": number,
            "coherence": number,
            "windows_agreeing": frames,
            "windows": frames,
        },
        "line_pilot_hz": {"value": number, "verdict": "consistent", "note": words},
        "rms_dbfs": each,
        "true_peak_dbtp": each,
        "loudness": dict.fromkeys(_LOUDNESS, number),
        "bandwidth_hz": each,
        "clipped_samples": each,
        "repetition": dict.fromkeys(Periodicity.__dataclass_fields__, number) | {"pattern": "-" * 20},
        "emphasis_hints": [{**hint, "words": words}] * _MOST_HINTS,
        "conversion_hints": [{**hint, "hertz": number, "windows": frames, "windows_able": frames,
                              "words": words}] * _MOST_HINTS,
        "details": places.MEASUREMENTS,
    }  # fmt: skip


def measurements_json(levels: Levels, analysis: Analysis, *, path: str, rate: Fraction, at: datetime) -> Json:
    """data/metadata/measurements.json (schemas/measurements.schema.json). path: of the file measured."""
    return {
        "schema_version": MEASUREMENTS_VERSION,
        "tool": TOOL,
        "version": __version__,
        "at": at.isoformat(),
        "file": path,
        "frames": levels.frames,
        "sampling_frequency": rate_to_json(rate),
        "channels": [_channel(n, c, analysis) for n, c in enumerate(levels.channels)],
        "digital_silence": [{"start": r.start, "length": r.length} for r in levels.digital_silence],
        "digital_silence_left_out": levels.silence_runs_left_out,
        "envelope": {
            "frames_per_bin": levels.envelope.frames_per_bin,
            "bins": [[code for pair in b for code in pair] for b in levels.envelope.bins],
        },
        **_loudness(analysis.loudness),
        **_damage(analysis.damage),
        **_spectral(analysis.spectral),
    }


def _channel(number: int, level: ChannelLevel, analysis: Analysis) -> Json:
    peak, band = analysis.loudness.channels[number], analysis.spectral.bandwidth
    bits, clipped = analysis.damage.bits.channels[number], analysis.damage.clipping[number]
    return {
        "min_code": level.min_code,
        "max_code": level.max_code,
        "peak_dbfs": level.peak_dbfs,
        "dc_offset_codes": level.dc_offset_codes,
        "effective_bits": level.effective_bits,
        "or_mask": level.or_mask,
        "rms_dbfs": _r(peak.rms_dbfs),
        "true_peak_dbtp": _r(peak.true_peak_dbtp),
        "bits_histogram": [{"bits": width, "blocks": blocks} for width, blocks in bits.histogram],
        "bits_stretches": [{"start": s.start, "length": s.length, "bits": s.bits} for s in bits.other],
        "clipped": {"runs": clipped.runs, "samples": clipped.samples, "longest": clipped.longest},
        "bandwidth_hz": _r(_of(band.hertz, number), 1),
        "slope_db_per_khz": _r(_of(band.slope_db_per_khz, number), 1),
        "top_level_dbfs": _r(_of(band.top_level_dbfs, number), 1),
    }


_LOUDNESS = ("integrated_lufs", "range_lu", "max_momentary_lufs", "max_short_term_lufs", "max_true_peak_dbtp")


def _programme(loudness: Loudness) -> Json:
    return {name: _r(getattr(loudness, name)) for name in _LOUDNESS}


def _loudness(loudness: Loudness) -> Json:
    return {
        "loudness": {
            **_programme(loudness),
            "gating_blocks": loudness.gating_blocks,
            "gated_blocks": loudness.gated_blocks,
            "notes": list(loudness.notes),
            "contour": {
                "step_s": loudness.contour.step_s,
                "points": [_r(p, 1) for p in loudness.contour.points],
            },
        }
    }


def _damage(damage: Damage) -> Json:
    return {
        "bits": {"block_frames": damage.bits.block_frames, "usual_bits": damage.bits.usual_bits},
        "clipping": {
            "top_code": damage.top_code,
            "bottom_code": damage.bottom_code,
            "word_length_declared": damage.word_length_declared,
        },
        "events": {
            "listed": [_event(e) for e in damage.events],
            "left_out": damage.left_out,
            "counts": dict(damage.counts),
            "absorbed_clicks": damage.absorbed_clicks,
            "strongest_click": _r(damage.strongest_click),
        },
        "runs": asdict(damage.runs),
        "marks": [{**asdict(m), "share": _r(m.share, 6)} for m in damage.marks],
        "repetition": [_repetition(r) for r in damage.repetition],
    }


def _event(event: Event) -> Json:
    """As in the record; a note only where there is one."""
    out: Json = {
        "type": event.type,
        "start": event.start,
        "length": event.length,
        "channel": event.channel,
        "confidence": _r(event.confidence),
    }
    return out | {"note": event.note[:_NOTE]} if event.note else out


def _repetition(found: Periodicity) -> Json:
    return {**asdict(found), "score": _r(found.score, 4), "chance": _r(found.chance, 4)}


def _spectral(spectral: Spectral) -> Json:
    spectrum, history, dc = spectral.spectrum, spectral.history, spectral.dc
    return {
        "spectrum": spectrum
        and {
            "windows": spectrum.windows,
            "hertz": [_r(f) for f in spectrum.hertz],
            "level_db": _rows(spectrum.level_db),
        },
        "spectrogram": history
        and {
            "edges_hz": [_r(f) for f in history.edges_hz],
            "starts": list(history.starts),
            "level_db": _rows(history.level_db),
        },
        "relation": _relation(spectral.relation),
        "conversion_hints": [_conversion(h) for h in spectral.bandwidth.hints],
        "line_whistle": _whistle(spectral.whistle),
        "emphasis_hints": [_emphasis(h) for h in spectral.emphasis_hints],
        "dc_history": {
            "frames": dc.frames,
            "values": [list(piece) for piece in dc.values],
            "left_out": dc.left_out,
        },
        "looked_at": asdict(spectral.windows),
    }


def _relation(relation: ChannelRelation) -> Json:
    delay = relation.delay
    return {
        "relation": relation.relation,
        "correlation": _r(relation.correlation, 5),
        "difference_db": _r(relation.difference_db),
        "bits_in_use": relation.bits_in_use,
        "notes": list(relation.notes),
        "delay": {
            "samples": _r(delay.samples, 4),
            "error": _r(delay.error, 5),
            "coherence": _r(delay.coherence, 3),
            "inverted": delay.inverted,
            "agreeing": delay.agreeing,
            "answering": delay.answering,
            "looked_at": delay.looked_at,
        },
    }


def _pilot(whistle: Whistle) -> Json | None:
    """None = not looked for: the file is too short for that."""
    if whistle.windows < LEAST_WINDOWS and not whistle.tones:
        return None
    note = whistle.words[:_WORDS]
    return {"value": _r(whistle.hertz, 3), "verdict": whistle.verdict, "note": note}


def _whistle(whistle: Whistle) -> Json:
    return {
        "verdict": whistle.verdict,
        "hertz": _r(whistle.hertz, 3),
        "ambiguous": whistle.ambiguous,
        "words": whistle.words,
        "windows": whistle.windows,
        "window_seconds": _r(whistle.window_seconds, 3),
        "tones": [_tone(t) for t in whistle.tones],
    }


def _tone(tone: Tone) -> Json:
    return {
        "hertz": _r(tone.hertz, 3),
        "level_dbfs": _r(tone.level_dbfs, 1),
        "over_median_db": _r(tone.over_median_db, 1),
        "spread_hz": _r(tone.spread_hz, 3),
        "windows": tone.windows,
        "readings": [
            {
                "source": r.source,
                "rate": rate_to_json(r.rate),
                "broadcast": r.broadcast,
                "offset_ppm": _r(r.offset_ppm, 1),
            }
            for r in tone.readings
        ],
    }


def _emphasis(hint: EmphasisHint) -> Json:
    return {**asdict(hint), "figure": _r(hint.figure), "words": hint.words[:_WORDS]}


def _conversion(hint: ConversionHint) -> Json:
    rounded = {"hertz": _r(hint.hertz, 1), "figure": _r(hint.figure), "words": hint.words[:_WORDS]}
    return {**asdict(hint), **rounded}


def _per_channel(values: Sequence[float | None], channels: int) -> list[float | None]:
    return [_r(_of(values, n), 1) for n in range(channels)]


def _of(values: Sequence[float | None], number: int) -> float | None:
    """Of a channel; only the first two of a file with more are looked at."""
    return values[number] if number < len(values) else None


def _rows(rows: Iterable[Iterable[float]]) -> list[list[float | None]]:
    return [[_r(v, 1) for v in row] for row in rows]


def _r(value: float | None, digits: int = 2) -> float | None:
    return None if value is None else round(float(value), digits) + 0.0  # no minus zero
