"""AES57 `face`, `region`, `stream` and `formatList`: the same frame for the master and for the carrier."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from provpack.package.audio_object_notes import Note, place
from provpack.package.audio_object_regions import Stretch
from provpack.package.audio_object_terms import CHANNELS, XSI, el, time_range
from provpack.package.premis_view import Json, at
from provpack.xmldoc import Node


@dataclass(frozen=True, slots=True, kw_only=True)
class Audio:
    """What a face is built from: prefix of all XML identifiers, the record, exact rate in Hz, length in
    frames, channels, and the regions that tile 0..frames."""

    prefix: str
    record: Json
    rate: Fraction
    frames: int
    channels: int
    regions: tuple[Stretch, ...]

    @property
    def region_ids(self) -> tuple[str, ...]:
        return tuple(f"{self.prefix}-region-{n}" for n in range(1, len(self.regions) + 1))

    @property
    def format_ids(self) -> dict[object, str]:
        """State -> identifier of its format; regions of one state share it."""
        states = dict.fromkeys(region.state for region in self.regions)
        return {state: f"{self.prefix}-format-{i}" for i, state in enumerate(states, start=1)}


def face_of(audio: Audio, notes: Sequence[Note], security: Sequence[str]) -> Node:
    """The one face: timeline and regions, each with the notes that begin in it, and the restrictions."""
    face, formats, ids = f"{audio.prefix}-face-1", audio.format_ids, audio.region_ids
    out: list[Node] = []
    for name, region, here in zip(
        ids, audio.regions, place(notes, audio.regions, audio.channels), strict=True
    ):
        out.append(
            el(
                "region",
                time_range("timeRange", region.start, region.end - region.start, audio.rate),
                el("numChannels", str(audio.channels)),
                *(note.node(audio.rate) for note in here if note.channel is None),
                *(el("securityNote", words) for words in security),
                *_streams(audio, name, here),
                ID=name,
                formatRef=formats[region.state],
                faceRef=face,
                label=f"stretch {len(out) + 1} of {len(ids)}",
            )
        )
    return el(
        "face",
        time_range("timeline", 0, audio.frames, audio.rate),
        *out,
        ID=face,
        direction="NONE",
        audioObjectRef=audio.prefix,
        label="the whole recording",
    )


def _streams(audio: Audio, region: str, here: Sequence[Note]) -> list[Node]:
    """One stream per channel of the file; where it is heard only when the declared use says so."""
    known = CHANNELS.get(str(at(audio.record, "signal", "channel_use")), ())
    if len(known) != audio.channels:
        known = tuple((f"channel {i + 1}", None) for i in range(audio.channels))
    return [
        el(
            "stream",
            el("channelAssignment", channelNum=str(i), leftRightPosition=position),
            *(note.node(audio.rate) for note in here if note.channel == i),
            ID=f"{region}-channel-{i + 1}",
            label=label,
            faceRegionRef=region,
        )
        for i, (label, position) in enumerate(known)
    ]


def format_list(audio: Audio, describe: Callable[[Stretch], Sequence[Node | None]]) -> Node:
    """One formatRegion of the generic type per state; ownerRef names every region in that state."""
    formats, owners = audio.format_ids, dict[object, list[str]]()
    first: dict[object, Stretch] = {}
    for name, region in zip(audio.region_ids, audio.regions, strict=True):
        owners.setdefault(region.state, []).append(name)
        first.setdefault(region.state, region)
    out: list[Node] = []
    for state, identifier in formats.items():
        node = el(
            "formatRegion",
            *describe(first[state]),
            ID=identifier,
            label=f"format {len(out) + 1} of {len(formats)}",
            ownerRef=" ".join(owners[state]),
        )
        kind = {f"{{{XSI}}}type": "aes57:formatRegionType"}
        out.append(Node(node.tag, {**kind, **node.attrib}, node.children))
    return el("formatList", *out)
