"""A forgiving view of a record, so that a rule stays silent, and never fails, where something is missing.

Records are judged after they were validated, but a rule must also stand a record that is not valid.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from provpack.errors import RecordProblem
from provpack.findings import Finding, Rule, Severity
from provpack.model.formats import Moment, read_moment
from provpack.model.plainwords import shown
from provpack.model.rates import rate_from_json

PCM_ON_VIDEO: Final = ("eiaj_14", "ext_16", "pcm1_13", "pcm16x0")
"""Recording formats that hold PCM data in a video picture."""

_MOST_ROWS: Final = 100_000


def whole(value: object) -> int | None:
    """An integer (JSON's 3.0 counts), None for anything else."""
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def number(value: object) -> Fraction | None:
    """A finite number, exactly; None for anything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        return Fraction(value)
    except (ValueError, OverflowError):
        return None


def text(value: object) -> str | None:
    """A text, None for anything else."""
    return value if isinstance(value, str) else None


def rate(value: object) -> Fraction | None:
    """A sampling frequency {num, den}, Hz; None for anything else."""
    try:
        return rate_from_json(value)
    except RecordProblem:
        return None


def found(
    rule: Rule, what: str, pointer: str, value: object, *, severity: Severity | None = None, todo: str = ""
) -> Finding:
    """A finding at a JSON pointer, with the value that stands there; without a table that is too long."""
    stands = f" = {shown(value)}"
    if isinstance(value, Mapping) and stands.endswith("..."):
        stands = ""
    return rule.found(what, f"{pointer}{stands}", severity=severity, todo=todo, position={"path": pointer})


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One table of a list in the record: its JSON pointer and its fields."""

    pointer: str
    fields: Mapping[str, object]

    def text(self, name: str) -> str | None:
        """A text field."""
        return text(self.fields.get(name))

    def whole(self, name: str) -> int | None:
        """A whole-number field."""
        return whole(self.fields.get(name))

    def moment(self, name: str) -> Moment | None:
        """A date or date-time field."""
        return read_moment(self.fields.get(name))

    def rows(self, name: str) -> list[Row]:
        """A list of tables inside this one."""
        return _rows(self.fields.get(name), f"{self.pointer}/{name}")


def _rows(value: object, pointer: str) -> list[Row]:
    if not isinstance(value, list):
        return []
    return [
        Row(pointer=f"{pointer}/{i}", fields=entry)
        for i, entry in enumerate(value[:_MOST_ROWS])
        if isinstance(entry, Mapping)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The record, read by paths such as "signal/sampling_frequency"."""

    record: Mapping[str, object]

    def get(self, path: str) -> object:
        """The value at a path; None when any part of the path is missing (or the value is null)."""
        place: object = self.record
        for name in path.split("/"):
            if not isinstance(place, Mapping):
                return None
            place = place.get(name)
        return place

    def text(self, path: str) -> str | None:
        """A text."""
        return text(self.get(path))

    def whole(self, path: str) -> int | None:
        """A whole number."""
        return whole(self.get(path))

    def rate(self, path: str) -> Fraction | None:
        """A sampling frequency, Hz."""
        return rate(self.get(path))

    def moment(self, path: str) -> Moment | None:
        """A date or date-time."""
        return read_moment(self.get(path))

    def words(self, path: str) -> tuple[str, ...] | None:
        """A list of words; None when there is no list."""
        value = self.get(path)
        return tuple(w for w in value if isinstance(w, str)) if isinstance(value, list) else None

    def rows(self, path: str) -> list[Row]:
        """A list of tables; empty when there is none."""
        return _rows(self.get(path), "/" + path)

    @property
    def recording_format(self) -> str | None:
        """carrier/recording_format."""
        return self.text("carrier/recording_format")

    @property
    def frames(self) -> int | None:
        """Length of the audio, sample frames, as measured."""
        return self.whole("measured/frames")

    @property
    def has_audio(self) -> bool:
        """Whether the record speaks of any audio."""
        return isinstance(self.get("signal"), Mapping) and (
            "audio_sha256" not in self.record or self.get("audio_sha256") is not None
        )

    def steps(self, *types: str) -> list[Row]:
        """Processing steps of the given types, in order; all when none is given."""
        rows = self.rows("processing/processing_steps")
        return [r for r in rows if not types or r.text("type") in types]

    @property
    def master(self) -> Row | None:
        """The file with the role master."""
        return next((f for f in self.rows("files") if f.text("role") == "master"), None)

    @property
    def is_master(self) -> bool:
        """Whether the record's audio is a master; a record that lists no files yet is going to be one."""
        return self.has_audio and (self.master is not None or not self.rows("files"))

    @property
    def derivatives(self) -> list[Row]:
        """The files with the role derivative."""
        return [f for f in self.rows("files") if f.text("role") == "derivative"]

    @property
    def first_pass(self) -> Moment | None:
        """When the earliest dated pass began."""
        starts = [m for p in self.rows("processing/passes") if (m := p.moment("started_at"))]
        return min(starts, key=lambda m: m.earliest, default=None)


def covering_faults(ranges: list[tuple[int, int]], frames: int | None) -> Iterator[tuple[int, str]]:
    """Why half-open ranges fail to cover 0..frames in order without gap or overlap: (index, sentence).

    frames None = the length is not known: the end is then not judged.
    """
    expected = 0
    for index, (start, end) in enumerate(ranges):
        if end <= start:
            yield index, f"ends at frame {end}, not after its start {start}"
        if start > expected:
            yield index, f"starts at frame {start}, leaving {expected}-{start - 1} uncovered"
        elif start < expected:
            yield index, f"starts at frame {start}, before the one before it ends ({expected})"
        expected = max(expected, end)
    if frames is not None and expected != frames and ranges:
        yield len(ranges) - 1, f"is the last and ends at frame {expected}, but the audio has {frames} frames"
