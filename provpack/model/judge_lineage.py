"""Rules on files, their descent and the steps between them (domain rules 13, 15, 19, 24, 25; 8.1)."""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Iterator
from typing import Final

from provpack.findings import Finding
from provpack.model import rules
from provpack.model.recordview import Row, View, covering_faults, found

_DEEMPHASIS: Final = ("deemphasis", "decoder_deemphasis")
_LABEL_STEPS: Final = ("metadata_modification", "container_change", "relabel", "decoder_deemphasis", "other")
_OWN_RULE: Final = ("deemphasis", "deskew")
_MOST_COMPARED: Final = 100  # deemphasis steps compared with each other


def _digests(file: Row) -> set[str]:
    names = ("sha256", "audio_sha256", "original_sha256")
    return {d for name in names if (d := file.text(name)) is not None}


class Descent:
    """Which step made which file, by digest and by name; built once, so that no look-up is slow."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.files = view.rows("files")
        self.steps = view.steps()
        self.derivatives = view.derivatives
        self.master = view.master
        self.is_master = view.is_master
        own = view.text("audio_sha256")
        self.master_digests = (_digests(self.master) if self.master else set()) | ({own} if own else set())
        self._by_digest: dict[str, list[Row]] = {}
        self._by_name: dict[str, list[Row]] = {}
        for file in self.files:
            for digest in _digests(file):
                self._by_digest.setdefault(digest, []).append(file)
            for name in ("path", "original_name"):
                if (called := file.text(name)) is not None:
                    self._by_name.setdefault(called, []).append(file)
        self._claimed = {file.pointer for step in self.steps for file in self.made(step)}
        self._makers: dict[str, list[Row]] = {}
        self._results = {step.pointer: self._result(step) for step in self.steps}
        for step in self.steps:
            for digest in self._results[step.pointer]:
                self._makers.setdefault(digest, []).append(step)

    @property
    def known(self) -> set[str]:
        """Every digest the record's own files go by."""
        return set(self._by_digest) | self.master_digests

    def of_type(self, *types: str) -> list[Row]:
        """The steps of the given types, in order."""
        return [step for step in self.steps if step.text("type") in types]

    def made(self, step: Row) -> list[Row]:
        """The files a step says it made."""
        digest, name = step.text("output_sha256"), step.text("output_path")
        return [*self._by_digest.get(digest or "", ()), *self._by_name.get(name or "", ())]

    def makes_master(self, step: Row) -> bool:
        """Whether the step made the master: it says so, or says no output and nothing else can be it."""
        if step.text("output_sha256") or step.text("output_path"):
            said = step.text("output_sha256") in self.master_digests
            return said or any(file.text("role") == "master" for file in self.made(step))
        if step.text("input_sha256") in self.master_digests:
            return False
        # Without a word from the step: a derivative that no other step claims may be its work.
        return all(file.pointer in self._claimed for file in self.derivatives)

    def _result(self, step: Row) -> set[str]:
        own = {d for d in (step.text("output_sha256"),) if d}
        for file in self.made(step):
            own |= _digests(file)
        return own | self.master_digests if self.makes_master(step) else own

    def result(self, step: Row) -> set[str]:
        """Every digest the result of a step goes by."""
        return self._results[step.pointer]

    def _inputs(self, step: Row) -> set[str]:
        own = step.text("input_sha256")
        return {own} if own else {d for file in self.made(step) if (d := file.text("parent"))}

    def ancestors(self, step: Row) -> set[str]:
        """Pointers of all steps whose results led to this step's input."""
        seen: set[str] = set()
        reached: set[str] = set()
        waiting = self._inputs(step)
        while waiting:
            digest = waiting.pop()
            if digest in reached:
                continue
            reached.add(digest)
            for file in self._by_digest.get(digest, ()):  # its other digests, and what it was made from
                waiting |= _digests(file) | {d for d in (file.text("parent"),) if d}
            for maker in self._makers.get(digest, ()):
                if maker.pointer != step.pointer and maker.pointer not in seen:
                    seen.add(maker.pointer)
                    waiting |= self._inputs(maker)
        return seen


def judge_lineage(view: View) -> Iterator[Finding]:
    """Domain rules 13, 15, 19, 25 and 8.1 of one record."""
    descent = Descent(view)
    yield from _removed(descent)
    yield from _twice(descent)
    yield from _where_off(descent)
    yield from _skew(descent)
    yield from _files(descent)


def _files(descent: Descent) -> Iterator[Finding]:
    """Domain rule 25 inside one record, and 8.1: only container and label of a master may change."""
    view, known = descent.view, descent.known
    for name in ("derived_from/sha256", "derived_from/audio_sha256"):
        if (digest := view.text(name)) is not None:
            known.add(digest)
    for file in descent.derivatives:
        parent = file.text("parent")
        if not parent:
            yield found(
                rules.PARENT,
                f"{file.text('path')} is a derivative without parent.",
                file.pointer + "/parent",
                None,
            )
        elif parent not in known or parent in _digests(file):
            yield found(
                rules.PARENT_UNKNOWN,
                f"{file.text('path')} names a parent that is "
                + ("itself." if parent in _digests(file) else "not among the files."),
                file.pointer + "/parent",
                parent,
            )
    master = descent.master
    if master is not None:
        handed_in = master.text("original_sha256")
        steps = descent.of_type("metadata_modification", "container_change")
        if handed_in and handed_in != master.text("sha256") and not steps:
            yield found(
                rules.MASTER_CHANGED,
                "The whole-file digest of the master is not that of the file handed in.",
                master.pointer + "/sha256",
                master.text("sha256"),
            )
    for step in descent.steps if descent.is_master else ():
        kind = step.text("type")
        if kind == "join" and view.rows("processing/assembly"):
            continue  # every frame of it is accounted for (domain rule 24)
        if kind is not None and kind not in (*_LABEL_STEPS, *_OWN_RULE) and descent.makes_master(step):
            yield found(
                rules.UNTOUCHED,
                f"The step {kind} changes samples, and what came out of it is the master.",
                step.pointer + "/type",
                kind,
            )


def _skew(descent: Descent) -> Iterator[Finding]:
    """Domain rule 19."""
    view, steps = descent.view, descent.of_type("deskew")
    for step in steps if descent.is_master else ():
        if descent.makes_master(step):
            yield found(
                rules.DESKEW_MASTER, "The step deskew made the master.", step.pointer + "/type", "deskew"
            )
    shared = view.text("decoder/shared_converter")
    silent = shared == "yes" and not steps and not view.text("decoder/shared_converter_note")
    if silent and descent.derivatives:
        yield found(
            rules.SKEW,
            f"{descent.derivatives[0].text('path')} does not say what became of the shared converter's skew.",
            "/decoder/shared_converter",
            shared,
        )


def _removed(descent: Descent) -> Iterator[Finding]:
    """Domain rule 13, for the master and for each derivative that says its emphasis was removed."""
    view, steps = descent.view, descent.of_type("deemphasis")
    state = view.text("signal/file_emphasis")
    if state == "removed" and descent.is_master:
        what = "A master captured digitally says its emphasis was removed."
        analogue = view.text("interface/interface_type") == "analogue"
        if analogue:
            what = "The analogue output was without emphasis, but no step decoder_deemphasis says so."
        if not analogue or not descent.of_type("decoder_deemphasis"):
            yield found(rules.REMOVED, what, "/signal/file_emphasis", state)
    for step in steps if descent.is_master else ():
        if descent.makes_master(step):
            yield found(
                rules.REMOVED, "The step deemphasis made the master.", step.pointer + "/type", "deemphasis"
            )
    if state == "removed":
        return
    makers: dict[str, Row] = {}
    for step in steps:
        for file in descent.made(step):
            makers.setdefault(file.pointer, step)
    for file in descent.derivatives:
        if file.text("file_emphasis") != "removed":
            continue
        own = makers.get(file.pointer) or (steps[0] if steps and len(descent.derivatives) == 1 else None)
        lacking = [] if own is None else _lacking(own)
        if own is None or lacking:
            what = (
                "no deemphasis step made it"
                if own is None
                else f"its deemphasis step lacks {', '.join(lacking)}"
            )
            yield found(
                rules.REMOVED,
                f"{file.text('path')} says its emphasis was removed, but {what}.",
                file.pointer + "/file_emphasis",
                "removed",
            )


def _lacking(step: Row) -> list[str]:
    return [n for n in ("filter", "sampling_frequency", "input_sha256") if not step.fields.get(n)]


def _spans(step: Row) -> list[tuple[int, int]] | None:
    """The ranges a step was applied to; None = the whole file."""
    ranges = step.rows("ranges")
    spans = [(r.whole("start"), r.whole("end")) for r in ranges]
    return [(s, e) for s, e in spans if s is not None and e is not None] if ranges else None


def _further(one: tuple[int, int], other: tuple[int, int]) -> tuple[int, int]:
    return one if one[1] >= other[1] else other


class _Spans:
    """Half-open ranges, ordered so that the one a given range touches is found at once."""

    def __init__(self, spans: list[tuple[int, int]]) -> None:
        ordered = sorted(spans)
        self._starts = [start for start, _ in ordered]
        # the range that reaches furthest among those that start no later
        self._furthest: list[tuple[int, int]] = list(itertools.accumulate(ordered, _further))

    def touched(self, start: int, end: int) -> tuple[int, int] | None:
        """A range with at least one frame in start..end, None when there is none."""
        place = bisect.bisect_left(self._starts, end) - 1
        if place < 0 or self._furthest[place][1] <= start:
            return None
        return self._furthest[place]


def _where_off(descent: Descent) -> Iterator[Finding]:
    """Domain rule 15, second half: deemphasis where the state is off or unknown."""
    view = descent.view
    tape = view.text("signal/tape_emphasis")
    states: dict[tuple[int, int], str | None] = {}
    rows = view.rows("signal/signal_state_ranges")
    for row in rows:
        start, end = row.whole("start"), row.whole("end")
        if start is not None and end is not None and row.text("emphasis") != "on":
            states[start, end] = row.text("emphasis")
    off = _Spans(list(states))
    for step in descent.of_type("deemphasis"):
        spans = _spans(step)
        if tape in ("off", "unknown", "not_applicable") and not rows:
            yield found(
                rules.WHERE_OFF,
                f"deemphasis on a tape whose emphasis is {tape}.",
                step.pointer + "/type",
                "deemphasis",
            )
            continue
        if spans is None:
            touched = next(iter(states), None)
        else:
            touched = next((t for start, end in spans if (t := off.touched(start, end))), None)
        if touched is not None:
            yield found(
                rules.WHERE_OFF,
                f"deemphasis touches frames {touched[0]}-{touched[1]}, where emphasis is {states[touched]}.",
                step.pointer + ("/type" if spans is None else "/ranges"),
                "deemphasis" if spans is None else spans,
            )


def _twice(descent: Descent) -> Iterator[Finding]:
    """Domain rule 15, first half: two deemphasis steps in one line of descent, on the same frames."""
    steps = descent.of_type(*_DEEMPHASIS)[:_MOST_COMPARED]
    if len(steps) < 2:
        return
    ancestors = {step.pointer: descent.ancestors(step) for step in steps}
    spans = {step.pointer: _spans(step) for step in steps}
    ordered = {pointer: None if own is None else _Spans(own) for pointer, own in spans.items()}
    for index, later in enumerate(steps):
        for earlier in steps[:index]:
            one_line = (
                later.pointer in ancestors[earlier.pointer] or earlier.pointer in ancestors[later.pointer]
            )
            same_result = bool(descent.result(earlier) & descent.result(later))
            nothing_said = not (_placed(earlier) or _placed(later))
            mine, other = spans[later.pointer], ordered[earlier.pointer]
            meet = mine is None or other is None or any(other.touched(a, b) for a, b in mine)
            if (one_line or same_result or nothing_said) and meet:
                yield found(
                    rules.TWICE,
                    f"This step follows the {earlier.text('type')} at {earlier.pointer}.",
                    later.pointer + "/type",
                    later.text("type"),
                )
                break


def _placed(step: Row) -> bool:
    return any(step.text(n) for n in ("input_sha256", "output_sha256", "output_path"))


def judge_assembly(view: View) -> Iterator[Finding]:
    """Domain rule 24, without the audio: passes exist, lengths agree, target ranges tile the file."""
    rows = view.rows("processing/assembly")
    passes = {row.whole("n") for row in view.rows("processing/passes")}
    targets: list[tuple[int, int]] = []
    for row in rows:
        n = row.whole("pass_n")
        if n not in passes:
            yield found(rules.ASSEMBLY_PASS, f"There is no pass {n}.", row.pointer + "/pass_n", n)
        source = (row.whole("source_start"), row.whole("source_end"))
        target = (row.whole("target_start"), row.whole("target_end"))
        if None in source or None in target:
            return
        (a, b), (c, d) = (source[0] or 0, source[1] or 0), (target[0] or 0, target[1] or 0)
        if b - a != d - c or b <= a:
            yield found(
                rules.ASSEMBLY_PASS,
                f"{b - a} frames of the source become {d - c} frames of the target.",
                row.pointer + "/source_end",
                b,
            )
        targets.append((c, d))
    for index, why in covering_faults(targets, view.frames):
        yield found(
            rules.ASSEMBLY_TILES,
            f"The target range {why}.",
            rows[index].pointer + "/target_start",
            targets[index][0],
        )
