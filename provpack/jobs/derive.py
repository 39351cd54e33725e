"""Which derivative a transfer gets, judged before anything is written.

A transfer is refused, as a whole, when the derivative that was asked for cannot honestly be made: a sealed
package is never opened again, so one without the copy would be short of it for ever. Where there is nothing
to do (no emphasis, no skew), it is wrapped without one, and a note says so.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection, Iterator
from fractions import Fraction
from typing import Any

from provpack.chunks.layout import Format
from provpack.errors import InputProblem, RecordProblem, UsageProblem
from provpack.findings import Finding, Rule
from provpack.jobs import deriverules
from provpack.jobs.deriveplan import (
    CHANNEL_WORDS,
    FOLDER,
    Container,
    DerivativePlan,
    Kind,
    Made,
    Record,
    Wanted,
    note_derivative,
)
from provpack.model.judge_lineage import judge_lineage
from provpack.model.recordview import Row, View, covering_faults

MOST_FLAC_CHANNELS = 8  # RFC 9639 section 9.1.3 (by number from memory)


def wanted_from(kinds: Collection[Kind], container: Container, late: str | None) -> Wanted | None:
    """The options of the command line as one value, None when no derivative is asked for.

    late: left or right. Raises UsageProblem for options that do not go together.
    """
    if ("deskew" in kinds) != (late is not None):
        raise UsageProblem(
            "derive-late-channel",
            "--derive deskew and --late-channel go together.",
            where="--late-channel",
            todo="Name the channel that the shared converter takes second, left or right: it differs between "
            "models and must be known, not guessed.",
        )
    if not kinds:
        return None
    return Wanted(
        kinds=frozenset(kinds),
        container=container,
        late_channel=None if late is None else CHANNEL_WORDS.index(late),
    )


def refuse_from_sheet(
    record: Record, wanted: Wanted | None, place: Callable[[str], object] | None = None
) -> None:
    """Raise RecordProblem when the declared values alone forbid the derivative; no audio is needed.

    place: the cell of the sheet behind a JSON pointer into the record, for the message.
    """
    if wanted is None:
        return
    try:
        _states(record, wanted)
        _shift(record, wanted)
    except RecordProblem as err:
        if place is not None:
            err.where = f"{place(err.where)} ({err.where})"
        raise


def plan_derivative(
    record: Record, fmt: Format, rate: Fraction, frames: int, wanted: Wanted, *, name: str
) -> tuple[DerivativePlan | None, tuple[Finding, ...]]:
    """The derivative of one transfer and what is worth saying about it; None when there is nothing to do.

    record: with the declared values (audio figures are not needed). fmt, frames: of the received file. rate:
    exact. name: of the package. Raises RecordProblem for what the record forbids, InputProblem for audio no
    derivative can be made from.
    """
    states, late = _states(record, wanted), _shift(record, wanted)
    on = states is not None
    found: list[Finding] = []
    if "deemphasis" in wanted.kinds and not on:
        what = "file_emphasis is absent: there is no emphasis to remove, so no de-emphasised copy is made."
        found.append(_nothing(what, "/signal/file_emphasis"))
    if "deskew" in wanted.kinds and late is None:
        what = "shared_converter is no: the channels are not skewed, so nothing is shifted."
        found.append(_nothing(what, "/decoder/shared_converter"))
    if not on and late is None:
        return None, tuple(found)
    _check_format(fmt, frames, wanted, late)
    plan = _designed(record, fmt, rate, frames, wanted, name, states, late)
    return plan, (*found, *_against_rules(record, plan))


def _nothing(what: str, pointer: str) -> Finding:
    return deriverules.NOTHING_TO_DO.found(what, pointer, position={"path": pointer})


def _states(record: Record, wanted: Wanted) -> list[tuple[int, int | None, bool]] | None:
    """(start, end, on) of each stretch, end None = the last frame; None when there is nothing to remove."""
    if "deemphasis" not in wanted.kinds:
        return None
    view = View(record=record)
    file, tape = view.text("signal/file_emphasis"), view.text("signal/tape_emphasis")
    where = "/signal/file_emphasis"
    for step in view.steps("deemphasis", "decoder_deemphasis"):
        if _may_have_made_this(view, step):
            raise _refused(deriverules.REMOVED, f"A step {step.text('type')} is listed.", step.pointer)
    if file == "removed":
        raise _refused(deriverules.REMOVED, "file_emphasis is removed.", where)
    if file == "absent":
        return None
    if file not in ("present", "mixed"):
        raise _refused(deriverules.UNKNOWN, f"file_emphasis is {file or 'not given'}.", where)
    if tape not in ("on", "mixed"):
        rule = deriverules.UNKNOWN if tape in (None, "unknown") else deriverules.CONTRADICTION
        raise _refused(rule, f"file_emphasis is {file}, tape_emphasis is {tape or 'not given'}.", where)
    rows = view.rows("signal/signal_state_ranges")
    out: list[tuple[int, int | None, bool]] = []
    for row in rows:
        start, end, state = row.whole("start"), row.whole("end"), row.text("emphasis")
        if start is None or end is None or state not in ("on", "off"):
            said = f"Emphasis from {start} to {end} is {state or 'not given'}."
            raise _refused(deriverules.RANGES, said, row.pointer)
        out.append((start, end, state == "on"))
    if tape == "on":
        if file == "mixed" or not all(on for _, _, on in out):
            said = f"tape_emphasis is on, file_emphasis is {file}, and not every stretch listed is on."
            raise _refused(deriverules.CONTRADICTION, said, "/signal/tape_emphasis")
        return [(0, None, True)]
    for index, why in covering_faults([(s, e) for s, e, _ in out if e is not None], None):
        raise _refused(deriverules.RANGES, f"The stretch {why}.", rows[index].pointer)
    if not any(on for _, _, on in out):
        said = f"file_emphasis is {file}, but no stretch with emphasis on is listed."
        raise _refused(deriverules.RANGES, said, "/signal/signal_state_ranges")
    return out


def _may_have_made_this(view: View, step: Row) -> bool:
    """Whether the received file may be what came out of a declared step. Its digest is not known yet, so a
    step is believed to have made another file only when it names one."""
    made = step.text("output_path")
    return made is None or made in {row.text("file") for row in view.rows("processing/passes")}


def _shift(record: Record, wanted: Wanted) -> int | None:
    """The channel to be delayed, None when none is."""
    if "deskew" not in wanted.kinds:
        return None
    view = View(record=record)
    shared = view.text("decoder/shared_converter")
    for step in view.steps("deskew"):
        if _may_have_made_this(view, step):
            raise _refused(deriverules.AGAINST_RULES, "A step deskew is listed already.", step.pointer)
    if shared == "no":
        return None
    if shared != "yes" or wanted.late_channel is None:
        said = f"shared_converter is {shared or 'not given'}."
        raise _refused(deriverules.SKEW_UNKNOWN, said, "/decoder/shared_converter")
    return wanted.late_channel


def _check_format(fmt: Format, frames: int, wanted: Wanted, late: int | None) -> None:
    what = ""
    if not fmt.is_pcm or fmt.container_bytes not in (2, 3):
        what = f"A copy of 24 bits is made from 16- or 24-bit PCM, not from {fmt.bits_per_sample}-bit "
        what += f"{fmt.encoding}."
    elif late is not None and fmt.channels != 2:
        what = f"The half-sample skew is one between two channels; the file has {fmt.channels}."
    elif wanted.container == "flac" and fmt.channels > MOST_FLAC_CHANNELS:
        what = f"FLAC holds {MOST_FLAC_CHANNELS} channels, the file has {fmt.channels}."
    elif frames < 1:
        what = "The file holds no audio."
    if what:
        rule = deriverules.NOT_POSSIBLE
        raise InputProblem(rule.id, what, where="fmt chunk", todo=rule.todo)


def _designed(
    record: Record,
    fmt: Format,
    rate: Fraction,
    frames: int,
    wanted: Wanted,
    name: str,
    states: list[tuple[int, int | None, bool]] | None,
    late: int | None,
) -> DerivativePlan:
    from provpack.measure.deemphasis import EmphasisRange, crossovers
    from provpack.measure.deemphasis_kernel import HALF, check_rate, design

    check_rate(rate)
    if states and states[-1][1] not in (None, frames):
        said = f"The last stretch ends at frame {states[-1][1]}, but the audio has {frames} frames."
        raise _refused(deriverules.RANGES, said, "/signal/signal_state_ranges")
    ranges = tuple(
        EmphasisRange(start=start, end=frames if end is None else end, on=on)
        for start, end, on in states or [(0, None, False)]
    )
    delays = [HALF if c == late else Fraction(0) for c in range(fmt.channels)]
    on = states is not None
    parts = ["deemph"] * on + ["deskew"] * (late is not None)
    was = str((record.get("signal") or {}).get("file_emphasis") or "unknown")
    return DerivativePlan(
        path=f"{FOLDER}/{name}_{'_'.join(parts)}.{wanted.container}",
        container=wanted.container,
        format=fmt,
        rate=rate,
        frames=frames,
        ranges=ranges,
        crossovers=crossovers(ranges, frames),
        deemphasis=on,
        late_channel=late,
        kernels=tuple(design(rate, emphasis=on, delay=d) if on or d else None for d in delays),
        shift=design(rate, emphasis=False, delay=HALF) if late is not None else None,
        file_emphasis="removed" if on else was,
    )


def _against_rules(record: Record, plan: DerivativePlan) -> Iterator[Finding]:
    """What the rules on descent will say once the derivative is there. Raises RecordProblem for an error."""
    made = Made(sha256="d" * 64, clipped=0)
    parent = "a" * 64
    master = {"role": "master", "path": "data/master/m.wav", "sha256": "b" * 64, "audio_sha256": parent}
    before: dict[str, Any] = {**record, "audio_sha256": parent, "files": [master]}
    after = copy.deepcopy(before)
    note_derivative(after, plan, parent=parent, made=made, at=None)
    entry = {"role": "derivative", "path": plan.path, "sha256": made.sha256, "parent": parent}
    after["files"].append(entry | {"file_emphasis": plan.file_emphasis})
    told = {(f.rule, f.position.get("path")) for f in judge_lineage(View(record=before))}
    for one in judge_lineage(View(record=after)):
        if (one.rule, one.position.get("path")) in told:
            continue
        if one.severity == "error":
            raise _refused(deriverules.AGAINST_RULES, one.what, one.where)
        yield one


def _refused(rule: Rule, what: str, where: str) -> RecordProblem:
    return RecordProblem(rule.id, what, where=where, todo=rule.todo)
