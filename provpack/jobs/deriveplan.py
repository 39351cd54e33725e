"""A derivative as a value, and what the record says of it: the steps that made it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal

from provpack import __version__
from provpack.chunks.layout import Format
from provpack.model.rates import rate_to_json

if TYPE_CHECKING:
    from provpack.measure.deemphasis import Crossover, EmphasisRange
    from provpack.measure.deemphasis_kernel import Kernel

Record = Mapping[str, Any]
Kind = Literal["deemphasis", "deskew"]
Container = Literal["wav", "flac"]

TOOL = "provpack"
FOLDER = "data/derivatives"
CHANNEL_WORDS = ("left", "right")
_ANY_DIGEST = "f" * 64
_EXACT = "coefficients are multiples of 2**-28, their SHA-256 is over little-endian int64"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What was asked for on the command line. late_channel: 0 (left) or 1 (right), the one that a shared
    converter took half a sample after the other; given if and only if kinds has deskew (see wanted_from)."""

    kinds: frozenset[Kind]
    container: Container = "wav"
    late_channel: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivativePlan:
    """One derivative: where it goes, what is done to which frames, and with which filters.

    ranges tile 0 .. frames. deemphasis: some range is on. late_channel: None = skew left alone. kernels: for
    each channel the filter where emphasis is on, else the one that only shifts, else None. shift: that of the
    late channel where emphasis is off. file_emphasis: that of the derivative. frames: per channel.
    """

    path: str
    container: Container
    format: Format
    rate: Fraction
    frames: int
    ranges: tuple[EmphasisRange, ...]
    crossovers: tuple[Crossover, ...]
    deemphasis: bool
    late_channel: int | None
    kernels: tuple[Kernel | None, ...]
    shift: Kernel | None
    file_emphasis: str

    @property
    def done(self) -> tuple[str, ...]:
        """What is done, in words."""
        out = []
        if self.deemphasis:
            on = [r for r in self.ranges if r.on]
            where = "whole file" if len(on) == len(self.ranges) else "where the record says emphasis is on"
            out.append(f"digital de-emphasis 50/15 us ({where})")
        if self.late_channel is not None:
            out.append(f"{CHANNEL_WORDS[self.late_channel]} channel delayed by half a sample")
        return tuple(out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What the steps say of a finished derivative: SHA-256 of its file, and samples clipped, all channels."""

    sha256: str
    clipped: int


def step_entries(
    plan: DerivativePlan, *, parent: str, made: Made, at: datetime | None
) -> list[dict[str, Any]]:
    """The processing steps of a derivative (schemas/fields.schema.json): deemphasis, deskew, or both, done in
    one go. parent: SHA-256 of the audio of the master."""
    common: dict[str, Any] = {
        "tool": TOOL,
        "version": __version__,
        "agent": TOOL,
        "at": at.isoformat() if at else None,
        "sampling_frequency": rate_to_json(plan.rate),
        "input_sha256": parent,
        "output_sha256": made.sha256,
        "output_path": plan.path,
    }
    both = plan.deemphasis and plan.late_channel is not None
    joined = "The half-sample shift is done by the same filter. " if both else ""
    out: list[dict[str, Any]] = []
    if plan.deemphasis:
        entry = common | {
            "type": "deemphasis",
            "filter": "50/15 us de-emphasis (1 + s 15 us)/(1 + s 50 us) as an FIR of 97 coefficients that "
            f"follows the analogue curve in magnitude and phase, its latency taken off; {_EXACT}",
            "parameters": _settings(plan, made),
            "note": f"{joined}Output rounded to 24 bits without dither; the master is untouched.",
        }
        if not all(r.on for r in plan.ranges):
            entry["ranges"] = list(_ranges(plan))
        out.append(entry)
    if plan.late_channel is not None:
        late = CHANNEL_WORDS[plan.late_channel]
        words = "The de-emphasis is done by the same filter. " if plan.deemphasis else ""
        out.append(
            common
            | {
                "type": "deskew",
                "filter": f"delay of the {late} channel by half a sample, FIR of 96 coefficients; {_EXACT}",
                "parameters": {"late_channel": late, "shift_samples": 0.5} | _settings(plan, made),
                "note": f"{words}The other channel keeps its place; the master is untouched.",
            }
        )
    return out


def _settings(plan: DerivativePlan, made: Made) -> dict[str, str | float]:
    out: dict[str, str | float] = {
        "output_bits": 24,
        "edges": "first and last frame taken as held",
        "clipped_samples": made.clipped,
    }
    if plan.crossovers:
        out["crossover"] = "equal gain, 3u^2 - 2u^3, centred on each change, up to 128 frames"
    for c, kernel in enumerate(plan.kernels):
        if kernel is None or kernel in plan.kernels[:c]:
            continue
        mark = "_late_channel" if c == plan.late_channel else ""
        out |= {
            f"coefficients_sha256{mark}": kernel.sha256,
            f"largest_magnitude_error_db{mark}": kernel.magnitude_error_db,
            f"largest_phase_error_degrees{mark}": kernel.phase_error_deg,
            "curve_followed_to_hz": round(kernel.edge_hz, 3),
        }
    if plan.shift is not None and plan.deemphasis and not all(r.on for r in plan.ranges):
        out["coefficients_sha256_late_channel_where_emphasis_is_off"] = plan.shift.sha256
    return out


def _ranges(plan: DerivativePlan) -> Iterator[dict[str, int]]:
    """The stretches that were filtered, neighbours joined, with the crossover at the end of each."""
    ends = {c.start + c.length // 2: c.length for c in plan.crossovers}
    start: int | None = None
    for r in plan.ranges:
        if r.on and start is None:
            start = r.start
        if start is not None and r.on and (r.end in ends or r.end == plan.frames):
            yield {"start": start, "end": r.end, "crossover_frames": ends.get(r.end, 0)}
            start = None


def note_derivative(
    record: dict[str, Any], plan: DerivativePlan, *, parent: str, made: Made, at: datetime | None
) -> None:
    """Put the steps of a derivative into the record, marked as the program's own."""
    processing = record.setdefault("processing", {})
    before: Sequence[Any] = processing.get("processing_steps") or []
    own = step_entries(plan, parent=parent, made=made, at=at)
    processing["processing_steps"] = [*before, *own]
    record["derived"] = [
        *(record.get("derived") or []),
        *(
            {
                "field": f"/processing/processing_steps/{len(before) + i}",
                "from": ["/made_by"],
                "how": "the program notes its own step",
            }
            for i in range(len(own))
        ),
    ]


def note_longest(record: dict[str, Any], plan: DerivativePlan, at: datetime) -> None:
    """note_derivative with the longest values that can come, for reserving room in the master."""
    most = Made(sha256=_ANY_DIGEST, clipped=plan.frames * plan.format.channels)
    note_derivative(record, plan, parent=_ANY_DIGEST, made=most, at=at)
