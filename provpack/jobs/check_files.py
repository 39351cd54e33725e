"""Checks of the files a job names: there, readable, WAV, as declared, named once."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from provpack.chunks.layout import Layout
from provpack.chunks.walk import read_layout
from provpack.edge.jobfolder import printable
from provpack.edge.received import ReceivedFile
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.jobs import rules, valuerules
from provpack.jobs.assembly import is_assembled, plan_assembly
from provpack.jobs.declared import found_at
from provpack.jobs.loaded import Concerning, LoadedJob, LoadedTransfer, NamedFile, Origin
from provpack.jobs.sheetfields import OWN_PAPERS

WAVE_NAMES = (".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64")
MOST_CHANNELS = 256
"""Channels that can be measured and wrapped (schemas/measurements.schema.json)."""
CHANNELS: Mapping[str, tuple[int, int]] = {
    "mono": (1, 1),
    "dual_mono": (2, 2),
    "stereo": (2, 2),
    "two_independent": (2, 2),
    "left_only": (2, 2),
    "right_only": (2, 2),
    "multitrack": (2, MOST_CHANNELS),
}
"""Channels in the file that each channel_use allows: least and most."""
NO_AUDIO = frozenset({"no_pcm_found", "failed"})


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """What the header of a received file says: frames, header rate in Hz, channels, significant bits."""

    frames: int
    header_rate: int
    channels: int
    bits: int
    is_float: bool

    def seconds(self, rate: Fraction) -> Fraction:
        """Exact duration at the true rate."""
        return self.frames / rate


def probe(transfer: LoadedTransfer) -> tuple[FileFacts | None, list[Finding]]:
    """Read the header of the transfer's file and compare it with what the row declares."""
    if transfer.file is None:
        if is_assembled(transfer):
            assembly, found = plan_assembly(transfer, None)
            if assembly is None:
                return None, list(found)
            made = FileFacts(
                frames=assembly.frames,
                header_rate=assembly.header_rate,
                channels=assembly.channels,
                bits=assembly.bits,
                is_float=False,
            )
            return made, [*found, *_compare(transfer, made, assembly.named)]
        no_audio = transfer.values.get("outcome") in NO_AUDIO
        if no_audio or "file" in transfer.refused:
            return None, []
        return None, [found_at(rules.FILE_NONE, "The transfer names no audio file.", transfer.origin)]
    if transfer.file.path is None:
        return None, []
    layout, findings = _read(transfer.file)
    if layout is None or layout.format is None or layout.data is None:
        return None, findings
    wave = layout.format
    facts = FileFacts(
        frames=layout.data.size // wave.frame_bytes,
        header_rate=wave.sample_rate,
        channels=wave.channels,
        bits=wave.valid_bits,
        is_float=wave.is_float,
    )
    return facts, findings + list(_compare(transfer, facts, transfer.file))


def _read(named: NamedFile) -> tuple[Layout | None, list[Finding]]:
    assert named.path is not None
    try:
        with ReceivedFile(named.path) as source:
            if source.size == 0:
                what = f"The file '{printable(named.relative)}' is empty."
                return None, [found_at(rules.FILE_EMPTY, what, named.origin)]
            layout = read_layout(source, printable(named.relative))
    except (ProvpackError, OSError) as problem:
        what = f"The file '{printable(named.relative)}': {getattr(problem, 'what', problem)}"
        return None, [found_at(rules.FILE_UNREADABLE, what, named.origin)]
    place = named.origin.position()
    findings = [
        replace(f, where=f"{f.where} ({named.origin})", position={**place, **f.position})
        for f in layout.findings
    ]
    return layout, findings


def _compare(transfer: LoadedTransfer, facts: FileFacts, named: NamedFile) -> Iterable[Finding]:
    values = transfer.values
    shown = f"'{printable(named.relative)}'"
    header = values.get("header_sampling_frequency_hz")
    if header is not None and header != facts.header_rate:
        what = f"The header of {shown} says {facts.header_rate} Hz, {header} Hz is declared."
        place = transfer.origin_of("header_sampling_frequency_hz")
        yield found_at(rules.FILE_RATE, what, place)
    use = values.get("channel_use")
    least, most = CHANNELS.get(str(use), (1, MOST_CHANNELS))
    if not least <= facts.channels <= most:
        what = f"{shown} has {facts.channels} channel(s), '{use}' does not fit."
        yield found_at(rules.FILE_CHANNELS, what, transfer.origin_of("channel_use"))
    yield from _word_length(transfer, facts, shown)


def _word_length(transfer: LoadedTransfer, facts: FileFacts, shown: str) -> Iterable[Finding]:
    declared = transfer.values.get("capture_word_length")
    place = transfer.origin_of("capture_word_length")
    if facts.is_float:
        what = f"{shown} holds floating-point samples; a capture delivers whole numbers."
        yield found_at(rules.FILE_BITS, what, place)
        return
    if isinstance(declared, int) and declared != facts.bits:
        what = f"{shown} has {facts.bits}-bit samples, {declared} bits are declared."
        yield found_at(rules.FILE_BITS, what, place)
    source = transfer.values.get("source_bit_depth")
    if isinstance(source, int) and facts.bits < source:
        what = f"{shown} has {facts.bits}-bit samples, fewer than the {source} bits on the carrier."
        yield found_at(rules.FILE_BITS, what, transfer.origin_of("source_bit_depth"))


def shared_files(job: LoadedJob) -> list[Concerning]:
    """One file named by two transfers: by the same name, by a hard link, or by a name that looks the same.
    A transfer that corrects another one has its recording on purpose."""
    findings: list[Concerning] = []
    by_inode: dict[tuple[int, int], tuple[LoadedTransfer, str]] = {}
    by_look: dict[str, tuple[LoadedTransfer, str]] = {}
    for transfer in job.transfers:
        for named in _audio_files(transfer):
            facts = job.files.get(named.relative)
            if facts is None:
                continue
            shown = printable(named.relative)
            other, name = by_inode.setdefault(facts[:2], (transfer, shown))
            if other is not transfer:
                if transfer.shares_recording(other):
                    continue
                link = "" if name == shown else f" under the name '{name}' (a hard link)"
                what = f"'{shown}' is already the file of {other.transfer_id}, {other.origin}{link}."
                findings.append((found_at(rules.FILE_TWICE, what, named.origin), (other, transfer)))
                continue
            other, name = by_look.setdefault(_look(named.relative), (transfer, shown))
            if other is not transfer and name != shown:
                what = f"'{shown}' and '{name}' of {other.transfer_id} differ in case or accents only."
                findings.append((found_at(rules.FILE_TWINS, what, named.origin), (other, transfer)))
    return findings


def _audio_files(transfer: LoadedTransfer) -> tuple[NamedFile, ...]:
    main = (transfer.file,) if transfer.file else ()
    return (*main, *transfer.pass_files.values())


def _look(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFKD", name).casefold())


def own_papers(job: LoadedJob) -> list[Concerning]:
    """A sheet of the job named as the sound or a photograph of a transfer."""
    papers = {*job.sheets, *OWN_PAPERS}
    out: list[Concerning] = []
    for transfer in job.transfers:
        for named in (*_audio_files(transfer), *transfer.photos, *transfer.condition_photos):
            if named.relative in papers:
                what = f"'{printable(named.relative)}' is a paper of the job itself."
                out.append((found_at(valuerules.OWN_PAPER, what, named.origin), (transfer,)))
    return out


def unnamed_files(job: LoadedJob) -> list[Finding]:
    """WAV files of the folder that no row names; none in a folder that is no job, such as a package."""
    if "job.toml" not in job.files:
        return []
    named: set[str] = {d.relative for d in job.documents}
    for transfer in job.transfers:
        files = (*_audio_files(transfer), *transfer.documents, *transfer.photos)
        named.update(file.relative for file in files)
    out = []
    for name in job.files:
        if name.casefold().endswith(WAVE_NAMES) and name not in named:
            shown = printable(name)
            place = Origin(level="job", file=shown)
            out.append(found_at(rules.FILE_UNNAMED, f"No transfer names '{shown}'.", place))
    return out


def attached_files(job: LoadedJob) -> list[Concerning]:
    """Documents and photos that are there but empty; those that are missing were found when loading."""
    out: list[Concerning] = []
    for transfer in job.transfers:
        for named in (*transfer.documents, *transfer.photos, *transfer.condition_photos):
            if job.files.get(named.relative, (0, 0, 1))[2] == 0:
                what = f"'{printable(named.relative)}' is empty."
                out.append((found_at(rules.FILE_EMPTY, what, named.origin), (transfer,)))
    return out
