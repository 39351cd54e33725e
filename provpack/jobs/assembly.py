"""A master assembled from passes: the ranges of the sheet judged, the source to wrap, and the proof.

Nothing is mixed, faded or mended: each range is taken bit for bit from one pass, and after the master was
written it is read back and compared with the passes, range by range, by code that had no part in making it
(domain note 5 step 11; domain rule 24).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

from provpack.edge.jobfolder import printable
from provpack.edge.received import ReceivedFile
from provpack.errors import Bug, InputProblem, ProvpackError
from provpack.findings import Finding, worst
from provpack.jobs import passrules
from provpack.jobs.assembledfile import AssembledSource, chunks_left
from provpack.jobs.assemblyranges import Range, Told, declared_ranges, judge_ranges
from provpack.jobs.declared import found_at
from provpack.jobs.loaded import LoadedTransfer, NamedFile
from provpack.jobs.passfiles import PassAudio, frames_of, open_pass, pass_names, reader
from provpack.jobs.progress import Progress
from provpack.jobs.wrapped import Refusal
from provpack.package.figures import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """A sound assembly: ranges in order of the target, its frames, the pass that gives the header and the
    sample shape (the one most frames come from), and what messages call the whole."""

    ranges: tuple[Range, ...]
    frames: int
    base: int
    channels: int
    bits: int
    header_rate: int
    named: NamedFile


def is_assembled(transfer: LoadedTransfer) -> bool:
    """Whether the master is to be made from passes: an assembly, and no file of the transfer's own."""
    return transfer.file is None and "file" not in transfer.refused and bool(transfer.values.get("assembly"))


def plan_assembly(
    transfer: LoadedTransfer, rate: Fraction | None
) -> tuple[Assembly | None, tuple[Finding, ...]]:
    """Judge the assembly of a transfer without a file of its own, by the headers of its passes.

    None when an error is among the findings. Reads no audio.
    """
    with ExitStack() as stack:
        assembly, _, findings = _planned(transfer, rate, stack)
    return assembly, findings


def open_assembled(transfer: LoadedTransfer, rate: Fraction | None) -> AssembledSource:
    """The assembled file to wrap. Raises InputProblem when the assembly is not sound."""
    with ExitStack() as stack:
        assembly, audios, findings = _planned(transfer, rate, stack)
        if assembly is None:
            first = next((f for f in findings if f.severity == "error"), None)
            if first is None:
                raise Bug(
                    "no-assembly", "There is no assembly.", where=str(transfer.origin), todo="Report this."
                )
            raise InputProblem(first.rule, first.what, where=first.where, todo=first.todo)
        parts = [(audios[r.pass_n], r.source_start, r.frames) for r in assembly.ranges]
        held = stack.pop_all()
        try:
            name = assembly.named.written
            return AssembledSource(name, audios[assembly.base], parts, tuple(audios.values()), held)
        except BaseException:
            held.close()
            raise


def open_audio(transfer: LoadedTransfer) -> AssembledSource | ReceivedFile | None:
    """What the master of a transfer is made of: its own file, or its passes; None when it has no audio."""
    if is_assembled(transfer):
        return open_assembled(transfer, None)
    return ReceivedFile(transfer.path) if transfer.path is not None else None


def _planned(
    transfer: LoadedTransfer, rate: Fraction | None, stack: ExitStack
) -> tuple[Assembly | None, dict[int, PassAudio], tuple[Finding, ...]]:
    ranges, unclear = declared_ranges(transfer)
    audios, problems = _sources(transfer, ranges, stack)
    findings = [*unclear, *problems]
    findings += judge_ranges(ranges, {n: a.frames for n, a in audios.items()}, None, rate)
    if worst(findings) == "error" or not ranges:
        return None, audios, tuple(findings)
    share = Counter(dict.fromkeys(sorted(audios), 0))
    for r in ranges:
        share[r.pass_n] += r.frames
    base = audios[share.most_common(1)[0][0]]
    left = chunks_left(base)
    if left:
        names = ", ".join(dict.fromkeys(f"'{c.name}'" for c in left[:50]))
        findings.append(
            found_at(passrules.CHUNKS_LEFT, f"Of pass {base.n}: {names}.", transfer.origin_of("assembly"))
        )
    written = f"{printable(transfer.transfer_id)}, passes {', '.join(map(str, audios))} assembled"
    named = NamedFile(written=written, path=None, origin=transfer.origin_of("assembly"), relative=written)
    assembly = Assembly(
        ranges=ranges,
        frames=ranges[-1].target_end,
        base=base.n,
        channels=base.format.channels,
        bits=base.format.valid_bits,
        header_rate=base.format.sample_rate,
        named=named,
    )
    return assembly, audios, tuple(findings)


def _sources(
    transfer: LoadedTransfer, ranges: Sequence[Range], stack: ExitStack
) -> tuple[dict[int, PassAudio], list[Finding]]:
    """The passes that the ranges need, open, and why others cannot be had."""
    names = pass_names(transfer)
    declared = {e.get("n") for e in transfer.values.get("passes") or () if isinstance(e, Mapping)}
    audios: dict[int, PassAudio] = {}
    told = Told()
    out: list[Finding] = []
    needed = {r.pass_n: r for r in reversed(ranges)}  # the first range that names it
    for n, r in sorted(needed.items()):
        if n not in names:
            why = "names no file" if n in declared else "is not among the passes"
            told.add(passrules.ASSEMBLY_SOURCE, f"Range {r.number} needs pass {n}, which {why}.", r.origin)
            continue
        try:
            audio = open_pass(n, names[n], stack)
        except ProvpackError as err:
            if isinstance(err, Bug):
                raise
            what = f"Range {r.number} needs pass {n}, '{err.where}': {err.what}"
            told.add(passrules.ASSEMBLY_SOURCE, what, r.origin)
            continue
        place = names[n].origin
        out += [
            replace(f, where=f"{f.where} ({place})", position={**place.position(), **f.position})
            for f in audio.layout.findings
        ]
        like = next(iter(audios.values()), audio)
        if not audio.same_samples(like):
            what = (
                f"Range {r.number} takes frames from pass {n} with {audio.shape()}, others come from pass "
                f"{like.n} with {like.shape()}."
            )
            told.add(passrules.ASSEMBLY_SOURCE, what, r.origin)
            continue
        if audio.format.sample_rate != like.format.sample_rate:
            what = (
                f"Pass {n} says {audio.format.sample_rate} Hz in its header, pass {like.n} "
                f"{like.format.sample_rate} Hz."
            )
            told.add(passrules.HEADER_RATE, what, r.origin)
        audios[n] = audio
    return audios, [*out, *told.done()]


def prove_file(transfer: LoadedTransfer, rate: Fraction | None, progress: Progress) -> tuple[Finding, ...]:
    """For a transfer with a file of its own and an assembly: prove that the file is what the ranges say.

    Findings: errors, or one note that it is proven; empty when there is nothing to prove.
    """
    if transfer.path is None or not transfer.values.get("assembly"):
        return ()
    paths = {n: f.path for n, f in pass_names(transfer).items() if f.path is not None}
    try:
        return prove_assembly(transfer, paths, transfer.path, rate, progress)
    except ProvpackError as err:
        if isinstance(err, Bug):
            raise
        what = f"The assembly cannot be proven: {err.what} ({err.where})"
        place = transfer.origin_of("assembly")
        return (found_at(passrules.ASSEMBLY_SOURCE, what, place, todo=err.todo),)


def prove_assembly(
    transfer: LoadedTransfer,
    passes: Mapping[int, Path],
    master: Path,
    rate: Fraction | None,
    progress: Progress,
) -> tuple[Finding, ...]:
    """Compare every range of a finished file bit for bit with its pass, from the files alone.

    passes: the file of each pass by number (the copies in the package, where there are such); master: the
    assembled file, which is walked anew. Reads the master once and as much of the passes; raises
    EnvironmentProblem or InputProblem when a file cannot be read or changes meanwhile.
    """
    ranges, unclear = declared_ranges(transfer)
    needed = sorted({r.pass_n for r in ranges})
    told = Told()
    for r in ranges:
        if r.pass_n not in passes:
            what = f"Range {r.number} needs pass {r.pass_n}, whose file is not there."
            told.add(passrules.ASSEMBLY_SOURCE, what, r.origin)
    broken = [*unclear, *told.done()]
    if broken or not ranges:
        return tuple(broken)
    with ExitStack() as stack:
        made = _open(0, master, transfer, stack)
        audios = {i: _open(n, passes[n], transfer, stack) for i, n in enumerate(needed)}
        for audio in audios.values():
            if not audio.same_samples(made):
                what = f"Pass {audio.n} has {audio.shape()}, the assembled file {made.shape()}."
                told.add(passrules.ASSEMBLY_DIFFERS, what, transfer.origin_of("assembly"))
        frames = {audio.n: audio.frames for audio in audios.values()}
        found = [*judge_ranges(ranges, frames, made.frames, rate), *told.done()]
        if worst(found) != "error":
            found += _differing(transfer, ranges, needed, audios, made, rate, progress)
        made.source.check_unchanged()
        for audio in audios.values():
            audio.source.check_unchanged()
    if worst(found) != "error":
        many = counted(len(ranges), "range")
        what = (
            f"{many} of pass{'' if len(needed) == 1 else 'es'} {', '.join(map(str, needed))}, "
            f"{made.frames} frames in all: every one compared, no bit differs."
        )
        found.append(found_at(passrules.ASSEMBLY_PROVEN, what, transfer.origin_of("assembly")))
    return tuple(found)


def prove_packed(
    transfer: LoadedTransfer,
    packed: Mapping[str, Path],
    master: Path,
    rate: Fraction | None,
    progress: Progress,
    known: Sequence[Finding],
) -> tuple[Finding, ...]:
    """The proof for a package that is about to be sealed; nothing to prove without an assembly.

    packed: place of the copy in the package by the name the sheet has for the file; a pass that is not packed
    as such is read where it lies. master: the finished master. known: findings so far. Raises Refusal when
    anything is not as the sheet says; a waiver can let a file pass that was handed in, not one made here.
    """
    if not transfer.values.get("assembly"):
        return ()
    names = pass_names(transfer)
    paths = {n: p for n, f in names.items() if (p := packed.get(f.written, f.path)) is not None}
    found = prove_assembly(transfer, paths, master, rate, progress)
    if transfer.file is not None:  # what others made may be waived; what we made ourselves may not
        from provpack.jobs.check_records import waived

        found = tuple(waived(list(found), transfer))
    wrong = next((f for f in found if f.severity == "error"), None)
    if wrong is not None:
        raise Refusal(
            "assembly-not-proven", f"The master is not what the assembly says: {wrong.what}",
            where=wrong.where, todo=wrong.todo, findings=(*known, *found),
        )  # fmt: skip
    return found


def _open(n: int, path: Path, transfer: LoadedTransfer, stack: ExitStack) -> PassAudio:
    named = NamedFile(written=path.name, path=path, origin=transfer.origin_of("assembly"), relative=path.name)
    return open_pass(n, named, stack)


def _differing(
    transfer: LoadedTransfer,
    ranges: Sequence[Range],
    needed: Sequence[int],
    audios: Mapping[int, PassAudio],
    made: PassAudio,
    rate: Fraction | None,
    progress: Progress,
) -> Iterator[Finding]:
    """What measure/passes_assembly.py `prove` finds, in words."""
    from provpack.measure.passes_assembly import SourceRange, prove

    index = {n: i for i, n in enumerate(needed)}
    total = 2 * made.frames * made.format.frame_bytes
    progress.begin(f"{transfer.transfer_id}: proving the assembly", total)
    rows = [
        SourceRange(
            which=index[r.pass_n],
            source_start=r.source_start,
            source_end=r.source_end,
            target_start=r.target_start,
            target_end=r.target_end,
        )
        for r in ranges
    ]

    def read_target(start: int, frames: int) -> Any:
        codes = frames_of(made.source, made.data, made.format, start, frames, made.name)
        progress.advance(frames * made.format.frame_bytes)
        return codes

    read = reader(audios, progress.advance)
    lengths = [audios[i].frames for i in range(len(needed))]
    told = Told()
    rules = {
        "gap": passrules.ASSEMBLY_GAP,
        "overlap": passrules.ASSEMBLY_OVERLAP,
        "length": passrules.ASSEMBLY_LENGTH,
        "outside": passrules.ASSEMBLY_OUTSIDE,
        "differs": passrules.ASSEMBLY_DIFFERS,
    }
    for fault in prove(rows, read, lengths, read_target, made.frames):
        r = ranges[fault.index]
        what = f"Range {r.number}: {fault.kind} at frame {fault.frame} of the target."
        if fault.kind == "differs":
            source = r.source_start + fault.frame - r.target_start
            what = (
                f"Range {r.number}: frame {fault.frame} of the target is not frame {source} of pass "
                f"{r.pass_n}, the first of the range that differs."
            )
        told.add(rules[fault.kind], what, r.origin, fault.frame, rate)
    yield from told.done()


def note_join(record: dict[str, Any], assembly: Assembly, audio_sha256: str, at: datetime) -> None:
    """Note the assembling in the record, with the SHA-256 of each pass it took frames from.

    The digests of the passes stand in record.processing.passes by then. The package is sealed only if the
    proof held, which the note says."""
    used = {r.pass_n for r in assembly.ranges}
    parameters: dict[str, Any] = {"ranges": len(assembly.ranges), "frames": assembly.frames}
    for entry in record["processing"].get("passes") or []:
        if entry.get("n") in used and "sha256" in entry:
            parameters[f"pass_{entry['n']}_sha256"] = entry["sha256"]
    tool = record["made_by"]["tool"]
    steps = record["processing"].get("processing_steps") or []
    record["processing"]["processing_steps"] = [
        *steps,
        {
            "type": "join",
            "tool": tool,
            "version": record["made_by"]["version"],
            "agent": tool,
            "at": at.isoformat(),
            "parameters": parameters,
            "output_sha256": audio_sha256,
            "note": "Frames taken bit for bit from the passes, as the assembly says; nothing mixed, faded or "
            "mended. Before sealing, every range was read back and compared with its pass: no bit differs.",
        },
    ]
    record["derived"] = [
        *(record.get("derived") or []),
        {
            "field": f"/processing/processing_steps/{len(steps)}",
            "from": ["/made_by", "/processing/assembly"],
            "how": "the program notes its own step",
        },
    ]
