"""Rules that hold what was measured against what was declared, beyond domain rules 7, 8, 20, 23 and 26.

The domain note leaves these to the tool: definitions and severities are proposals of this project. Nothing
here ever sets a field: a measurement speaks, a person decides.
"""

from __future__ import annotations

from typing import Final

from provpack.findings import Rule, Severity

_ALL: list[Rule] = []


def _rule(ident: str, severity: Severity, title: str, todo: str, reference: str) -> Rule:
    rule = Rule(id=ident, severity=severity, title=title, todo=todo, reference=reference)
    _ALL.append(rule)
    return rule


# fmt: off
SILENT = _rule("rec-audio-silent", "error",
    "The file holds nothing but digital silence",
    "Look at the capture: wrong input, no lock, muted. Transfer again, or record the outcome no_pcm_found.",
    "domain note section 4, digital silence; definition: proposal")
CHANNEL_DEAD = _rule("rec-channel-silent", "warning",
    "One channel is silent though both are declared in use",
    "Check cable and board; if the tape is like that, declare channel_use left_only or right_only.",
    "domain note section 4, dual mono; definition: proposal")
CHANNELS_EQUAL = _rule("rec-channels-equal", "warning",
    "Both channels hold the same sound though two different ones are declared",
    "Declare channel_use dual_mono if the tape is like that; else look for a mono switch in the chain.",
    "domain note section 4, dual mono; definition: proposal")
CHANNELS_DIFFER = _rule("rec-channels-differ", "warning",
    "The channels differ though dual mono is declared",
    "Listen to each channel by itself, then correct channel_use.",
    "domain note section 4, dual mono; definition: proposal")
INVERTED = _rule("rec-channel-inverted", "warning",
    "One channel is the other upside down",
    "Check board and cables with the test tape; if the tape is like that, say so in channel_polarity.",
    "domain note section 4, swapped / inverted; definition: proposal")
CONVERTER_AGAINST = _rule("rec-shared-converter-against", "warning",
    "The delay between the channels does not fit what shared_converter says",
    "Check which decoder played the tape, and whether anything in the chain corrects the delay.",
    "domain note sections 2.2 and 4, inter-channel delay; IASA TC-04 5.5.7.4")
CONVERTER_HINT = _rule("rec-shared-converter-hint", "note",
    "The channels are half a sample apart, as from a converter shared by both",
    "Fill in shared_converter from the decoder's papers or a test; the master stays as it is.",
    "domain note sections 2.2 and 4, inter-channel delay; IASA TC-04 5.5.7.4")
UNLOGGED = _rule("rec-damage-unlogged", "warning",
    "Damage was measured that nobody logged",
    "Listen at the times named, then log the events or write a qc note; a second pass may read it better.",
    "domain note sections 1.5 and 4; definitions: provpack/measure")
REPEATS = _rule("rec-damage-repeats", "warning",
    "Damage comes back with the picture field or with the head",
    "Clean the heads, set tracking, and transfer again; every second field points to one of two heads.",
    "domain note sections 2.1 and 4, repeated field/head pattern")
BITS_CHANGE = _rule("rec-bits-change", "warning",
    "Stretches of the file use another number of bits than the rest",
    "Listen there; the tape may change between 14 and 16 bits: then give the ranges in signal_state_ranges.",
    "domain note sections 1.3 and 4, effective bits")
CLIPPED = _rule("rec-clipped", "note",
    "Samples stand at the highest or lowest code of the recording",
    "Nothing can be mended in a master; it is written down for whoever listens.",
    "domain note sections 2.4 and 4, clipped runs")
CONVERTED = _rule("rec-conversion-hint", "note",
    "The spectrum hints at an earlier rate conversion or lossy coding",
    "Ask where the recording came from, and check the chain for a converter; a hint proves nothing.",
    "domain note section 4, bandwidth")
EMPHASIS_STEP = _rule("rec-emphasis-step-hint", "note",
    "The spectrum changes within the file as where pre-emphasis is switched",
    "Look at the emphasis lamp there when the tape is played again; another microphone can do that too.",
    "domain note section 3.5")
# fmt: on

RULES: Final[tuple[Rule, ...]] = tuple(_ALL)
"""All rules of this file."""
