"""The section "What the sound itself shows": which parts it has, from record and measurements.

Measurements of schema 1.0 have none of these figures; then there is no section, and the page is as it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from provpack.package.figures import moment_words
from provpack.package.readfirst_words import section
from provpack.report.sound_compare import Compared, compared
from provpack.report.sound_damage import damage_part
from provpack.report.sound_levels import bits_part, levels_part, loudness_part
from provpack.report.sound_parts import Json, Part
from provpack.report.sound_spectra import (
    channels_part,
    emphasis_part,
    spectrogram_part,
    spectrum_part,
    whistle_part,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """The section: who measured what and when, declared beside measured, the parts in order."""

    by: str
    file: str
    compared: tuple[Compared, ...]
    parts: tuple[Part, ...]


def sound_view(record: Json, measurements: Json | None, rate: Fraction | None) -> Sound | None:
    """None when there are no measurements, or none beyond levels and envelope."""
    if not measurements:
        return None
    container_bits = int(section(record, "measured").get("container_bits") or 16)
    parts = (
        levels_part(measurements, container_bits),
        bits_part(measurements, rate),
        loudness_part(measurements, record, rate),
        channels_part(measurements, rate),
        spectrum_part(measurements),
        spectrogram_part(measurements, rate),
        whistle_part(measurements),
        emphasis_part(measurements, rate),
        damage_part(measurements, rate),
    )
    there = tuple(part for part in parts if part is not None)
    if not there:
        return None
    by = f"{measurements.get('tool', 'a program')} {measurements.get('version', '')}".strip()
    if measurements.get("at"):
        by += f", {moment_words(str(measurements['at']))}"
    return Sound(
        by=by,
        file=str(measurements.get("file") or ""),
        compared=compared(record, measurements),
        parts=there,
    )
