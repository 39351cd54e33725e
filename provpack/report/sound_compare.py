"""What was declared beside what was measured, and in words whether the two agree.

Three answers only: they agree; they differ; the sound cannot tell. Which of the two is right is not decided
here, and nothing measured ever replaces what was declared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from provpack.package.figures import found_words, listed, number
from provpack.package.readfirst_words import exact_rate, hertz, section
from provpack.report.html_values import span, words
from provpack.report.picture_bits import width_words
from provpack.report.sound_parts import Json

Verdict = Literal["agree", "differ", "open"]
SIGNS: Mapping[Verdict, str] = {"agree": "✓ agree", "differ": "▲ differ", "open": "? cannot be told"}

_NOT_TWO = frozenset({"dual_mono", "inverted", "one_silent", "mono", "multichannel"})
_NOT_TWO_ALIKE = frozenset({"stereo", "inverted", "one_silent", "mono", "multichannel"})
_BOTH_SOUND = frozenset({"stereo", "dual_mono", "inverted", "skewed", "multichannel"})
# declared use of the channels -> the relations that agree with it, and those that contradict it; every other
# relation leaves it open
FITS: Mapping[str, tuple[frozenset[str], frozenset[str]]] = {
    "mono": (frozenset({"mono", "dual_mono"}), frozenset({"stereo", "inverted", "multichannel"})),
    "dual_mono": (frozenset({"dual_mono"}), _NOT_TWO_ALIKE),
    "stereo": (frozenset({"stereo", "skewed"}), _NOT_TWO),
    "two_independent": (frozenset(), _NOT_TWO),
    "left_only": (frozenset({"one_silent"}), _BOTH_SOUND),
    "right_only": (frozenset({"one_silent"}), _BOTH_SOUND),
    "multitrack": (frozenset({"multichannel"}), frozenset({"mono"})),
}

RELATIONS: Mapping[str, str] = {
    "mono": "one channel",
    "dual_mono": "the same sound on both",
    "inverted": "one channel upside down",
    "one_silent": "one channel silent",
    "skewed": "two channels half a sample apart",
    "multichannel": "more than two channels, not compared",
    "undetermined": "undetermined",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One fact, declared and measured, both in words; why says more about the verdict."""

    fact: str
    declared: str
    measured: str
    verdict: Verdict
    why: str = ""

    @property
    def sign(self) -> str:
        """The verdict with a sign, never by colour alone."""
        return SIGNS[self.verdict]


def compared(record: Json, measurements: Json | None) -> tuple[Compared, ...]:
    """All facts that were both declared and measured. Empty for measurements before schema 1.1."""
    if not measurements or "events" not in measurements:
        return ()
    rows = (
        _bits(record, measurements),
        _channels(record, measurements),
        _polarity(record, measurements),
        _rate(record, measurements),
        _emphasis(record, measurements),
        _duration(record, measurements),
        _damage(record, measurements),
    )
    return tuple(row for row in rows if row is not None)


def _bits(record: Json, measurements: Json) -> Compared | None:
    declared = section(record, "carrier").get("source_bit_depth")
    used = [c.get("effective_bits") for c in measurements.get("channels") or ()]
    if not isinstance(declared, int) or not used or not all(isinstance(b, int) for b in used):
        return None
    most, least = max(used), min(used)
    said = listed([width_words(b) for b in used]) if most != least else width_words(most)
    if most != least and len(used) > 2:
        said = f"{least} to {width_words(most)}, by channel"
    verdict: Verdict = "agree" if most == declared else "differ"
    why = ""
    if most == 0:
        verdict, why = "open", "There is nothing but digital silence."
    elif most > declared:
        why = "More bits are in use than declared: another decoding mode, or something has calculated."
    elif most < declared:
        why = "Fewer bits are in use than declared: cut off on the way, or recorded with fewer."
    elif len(set(used)) > 1:
        why = "Not in every channel."
    return Compared(
        fact="Bits per sample", declared=f"{declared} bits", measured=said, verdict=verdict, why=why
    )


def _channels(record: Json, measurements: Json) -> Compared | None:
    declared = str(section(record, "signal").get("channel_use") or "")
    found = measurements.get("relation") or {}
    relation = str(found.get("relation") or "")
    if declared not in FITS or not relation:
        return None
    agrees, contradicts = FITS[declared]
    verdict: Verdict = "agree" if relation in agrees else "differ" if relation in contradicts else "open"
    why = ""
    if declared in ("left_only", "right_only") and relation == "one_silent":
        verdict, why = _sounding_side(declared, measurements)
    elif relation == "skewed" and declared in ("mono", "dual_mono"):
        why = "Mono through one shared converter looks like that, and so does stereo."
    elif relation == "skewed":
        why = "Half a sample apart, as after one shared converter."
    elif relation == "multichannel" and verdict == "differ":
        why = f"The file has {len(measurements.get('channels') or ())} channels."
    elif relation == "undetermined":
        why = "See the notes on the channels."
    elif declared == "mono" and relation == "dual_mono":
        why = "The same sound stands on both channels."
    return Compared(
        fact="Use of the channels",
        declared=words("channel_use", declared),
        measured=RELATIONS.get(relation, relation.replace("_", " ")),
        verdict=verdict,
        why=why,
    )


def _sounding_side(declared: str, measurements: Json) -> tuple[Verdict, str]:
    levels = [c.get("rms_dbfs") for c in measurements.get("channels") or ()]
    left, right = ((-1000.0 if v is None else float(v)) for v in levels[:2])
    sounding = "left_only" if left > right else "right_only"
    if sounding == declared:
        return "agree", ""
    return "differ", "The sound stands on the other channel."


def _polarity(record: Json, measurements: Json) -> Compared | None:
    declared = section(record, "signal").get("channel_polarity")
    found = measurements.get("relation") or {}
    if (
        declared not in ("normal", "inverted_l", "inverted_r", "both")
        or len(measurements.get("channels") or ()) != 2
    ):
        return None
    upside_down = found.get("relation") == "inverted" or bool((found.get("delay") or {}).get("inverted"))
    expected = declared in ("inverted_l", "inverted_r")
    certain = found.get("relation") in ("inverted", "dual_mono", "skewed")
    verdict: Verdict = "open" if not certain else "agree" if upside_down == expected else "differ"
    said = "one channel upside down" if upside_down else "no channel upside down against the other"
    if not certain:
        said = "cannot be told from this sound"
    return Compared(
        fact="Polarity", declared=words("channel_polarity", declared), measured=said, verdict=verdict,
        why="" if verdict != "agree" or not expected else "Which of the two it is the sound does not tell.",
    )  # fmt: skip


def _rate(record: Json, measurements: Json) -> Compared | None:
    rate = exact_rate(record)
    whistle = measurements.get("line_whistle")
    if rate is None or not whistle:
        return None
    verdicts: Mapping[str, Verdict] = {"consistent": "agree", "against": "differ"}
    verdict = verdicts.get(str(whistle.get("verdict")), "open")
    said = "no line tone to check it by"
    if whistle.get("hertz") is not None:
        said = f"line tone at {number(round(float(whistle['hertz']), 3))} Hz by the header"
    why = "A hint, not proof." if verdict != "open" else ""
    if whistle.get("ambiguous"):
        why = "A hint, not proof; another reading of the tone leads to another rate."
    return Compared(fact="Sampling frequency", declared=hertz(rate), measured=said, verdict=verdict, why=why)


def _emphasis(record: Json, measurements: Json) -> Compared | None:
    declared = section(record, "signal").get("file_emphasis")
    if declared is None or "emphasis_hints" not in measurements:
        return None
    hints = len(measurements["emphasis_hints"] or ())
    return Compared(
        fact="Pre-emphasis in the file",
        declared=words("file_emphasis", declared),
        measured="no hints" if not hints else "1 hint" if hints == 1 else f"{hints} hints",
        verdict="open",
        why="Hints never decide; nothing measured can confirm or refute it.",
    )


def _duration(record: Json, measurements: Json) -> Compared | None:
    nominal = section(record, "carrier").get("carrier_nominal_minutes")
    rate, frames = exact_rate(record), measurements.get("frames")
    if not isinstance(nominal, (int, float)) or rate is None or not isinstance(frames, int):
        return None
    played = Fraction(frames) / rate
    too_long = played > Fraction(nominal) * 60 * Fraction(21, 20) + 180
    return Compared(
        fact="Playing time",
        declared=f"carrier of {number(nominal)} {'minute' if nominal == 1 else 'minutes'}",
        measured=span(played),
        verdict="differ" if too_long else "agree",
        why="Longer than such a carrier plays (5 % and 3 minutes allowed)."
        if too_long
        else "It fits on such a carrier.",
    )


def _damage(record: Json, measurements: Json) -> Compared | None:
    declared = section(record, "decoder").get("error_indication")
    counts = (measurements.get("events") or {}).get("counts") or {}
    seen = {k: counts.get(k) or 0 for k in ("mute", "hold", "interpolation")}
    if declared not in ("none_seen", "some", "many"):
        return None
    found = found_words(seen)
    verdict: Verdict = "open"
    why = ""
    if declared == "none_seen":
        verdict = "differ" if found else "agree"
        why = "The program found concealed damage where no errors were seen." if found else ""
    elif found:
        verdict = "agree"
    else:
        why = "Errors that were corrected leave no trace in the sound."
    return Compared(
        fact="Errors of the decoder",
        declared=words("error_indication", declared),
        measured=found or "no mutes, held or interpolated samples",
        verdict=verdict,
        why=why,
    )
