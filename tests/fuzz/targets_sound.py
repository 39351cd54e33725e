"""Readers of sound files: RIFF chunks, FLAC metadata, PCM samples."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

from support.watched import Watched

from fuzz.law import as_json, halves, lawful, target, told
from provpack.chunks.bext import build_bext, parse_bext
from provpack.chunks.chna import parse_chna
from provpack.chunks.embedded import read_embedded
from provpack.chunks.fmt import parse_format
from provpack.chunks.history import format_history, parse_history
from provpack.chunks.info import build_info, parse_info
from provpack.chunks.ixml import compare_with_bext, trimmed
from provpack.chunks.layout import Layout
from provpack.chunks.limits import Collector
from provpack.chunks.markers import build_adtl, build_cue, markers, parse_adtl, parse_cue
from provpack.chunks.plan import CopyRange, Literal_, fill_tail, plan_master, tail_size
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout
from provpack.edge.audio import read_audio_facts
from provpack.edge.tags import build_vorbis_comment, read_flac
from provpack.jobs.check_files import MOST_CHANNELS
from provpack.jobs.inspect import inspect_file
from provpack.jobs.measuring import Measuring
from provpack.xmldoc import Node, Raw, parse_untrusted, serialise


@target
def chunks_walk(data: bytes) -> None:
    """Any bytes give a layout whose chunks lie in order inside the file, after a bounded number of reads."""
    source = Watched(data)
    layout = read_layout(source, "x.wav")
    told(layout.findings)
    lawful(source.reads <= 552 + 8 * len(layout.chunks), f"{source.reads} reads")
    end = 12
    for chunk in layout.chunks:
        lawful(end <= chunk.offset and chunk.size <= chunk.declared_size, "a chunk lies in another")
        end = chunk.data_offset + chunk.size
        lawful(end <= len(data), "a chunk lies outside the file")
    if layout.data is not None:
        lawful(layout.data.offset + layout.data.size <= len(data), "audio outside the file")
    missing = layout.format is None or layout.data is None
    lawful(missing <= any(f.severity == "error" for f in layout.findings), "no audio and no error")


@target
def chunks_embedded(data: bytes) -> None:
    """Whatever the metadata chunks hold, they are decoded to values that can be shown as JSON."""
    source = Watched(data)
    told(read_embedded(source, read_layout(source, "x.wav")).findings)
    shown: dict[str, Any] = inspect_file(source, "x.wav").as_json()
    as_json(shown)


@target
def bext(data: bytes) -> None:
    """Any chunk body is read to fields, and fields that can be written are read back the same."""
    fields, findings = parse_bext(data)
    told(findings)
    if fields is None:
        return
    lawful(fields.iso_date is None or len(fields.iso_date) == 10, "a date that is none")
    told(parse_history(fields.coding_history)[1])
    body = build_bext(fields)
    again, findings = parse_bext(body)
    told(findings)
    if fields.version < 2 or any(body[412:422]):  # five zeros are read as "not measured", and told
        lawful(again == fields, f"{again} was {fields}")


@target
def coding_history(data: bytes) -> None:
    """Any text is read to rows, and rows that can be written are read back the same but for their commas."""
    rows, findings = parse_history(data.decode("utf-8", "replace"))
    told(findings)
    again, findings = parse_history(format_history(rows))
    told(findings)
    wanted = tuple(replace(r, text=r.text.replace(",", ";")) if r.algorithm else r for r in rows)
    lawful(again == wanted, f"{again} was {rows}")


@target
def cue(data: bytes) -> None:
    """Any `cue ` body gives points, and points that can be written are read back the same."""
    points, findings = parse_cue(data)
    told(findings)
    lawful(len(points) <= len(data) // 24 + 1, "more points than fit")
    items = markers(data, b"adtl")
    lawful(markers(build_cue(items), build_adtl(items)) == items, "markers do not come back")


@target
def adtl(data: bytes) -> None:
    """Any pair of `cue ` and LIST adtl bodies gives markers; those that can be written are read back."""
    points, entries = halves(data, 2)
    told(parse_adtl(entries)[1])
    items = markers(points, entries)
    again = markers(build_cue(items), build_adtl(items))
    lawful(again == items, f"{again} was {items}")


@target
def info(data: bytes) -> None:
    """Any LIST INFO body gives entries, and entries that can be written are read back the same."""
    entries, findings = parse_info(data)
    told(findings)
    lawful(parse_info(build_info(entries)) == (entries, ()), f"{entries}")


@target
def axml(data: bytes) -> None:
    """Any document is parsed or refused, with no entity expanded; what is parsed can be embedded whole."""
    root = parse_untrusted(data, where="axml", limit=1 << 20)
    lawful(len("".join(root.itertext())) <= len(data) * 2 + 64, "more text than was there")
    whole = serialise(Node("r", {}, ("a", Raw(data), "b")), prefixes={})
    lawful(len(parse_untrusted(whole, where="written").findall(".//*")) >= 1, "lost in writing")


@target
def ixml(data: bytes) -> None:
    """Any pair of iXML document and bext body is compared without a fault."""
    document, body = halves(data, 2)
    told(compare_with_bext(trimmed(document), parse_bext(body)[0]))


@target
def chna(data: bytes) -> None:
    """Any body gives a table of at most as many tracks as there is room for."""
    table, findings = parse_chna(data)
    told(findings)
    lawful(table is None or len(table.records) <= len(data) // 40, "more records than fit")


@target
def fmt(data: bytes) -> None:
    """Any fmt body gives a format in which a frame has at least one byte, in either byte order."""
    for order in ("little", "big"):
        found = Collector("x.wav")
        form = parse_format(data, 12, found, order)  # type: ignore[arg-type]
        told(found.done())
        lawful(form is None or form.frame_bytes >= 1, "a frame without bytes")


@target
def master_plan(data: bytes) -> None:
    """A plan made of any layout gives a file that is walked without new faults and holds the same audio."""
    layout = read_layout(BytesSource(data), "x.wav")
    new = ((b"LIST", b"INFOINAM\x02\0\0\0x\0"),)
    budget = tail_size([(chunk_id, len(body)) for chunk_id, body in new])
    for form in ("auto", "RF64", "BW64"):
        plan = plan_master(layout, before=((b"bext", bytes(602)),), after_budget=budget, form_wanted=form)  # type: ignore[arg-type]
        made = b"".join(
            part.data if isinstance(part, Literal_)
            else data[part.offset : part.offset + part.size] if isinstance(part, CopyRange)
            else fill_tail(plan, new)
            for part in plan.segments
        )  # fmt: skip
        lawful(len(made) == plan.total_size, f"{len(made)} bytes made, {plan.total_size} planned")
        _same_audio(layout, data, read_layout(BytesSource(made), "y.wav"), made)


def _same_audio(old: Layout, data: bytes, new: Layout, made: bytes) -> None:
    told(new.findings)
    lawful(new.data is not None and new.format is not None, "the new file has no audio")
    if old.data is None or new.data is None or old.format is None or new.format is None:
        return
    was = data[old.data.offset : old.data.offset + old.data.size]
    lawful(made[new.data.offset : new.data.offset + new.data.size] == was, "the audio changed")
    same = ("tag", "channels", "sample_rate", "block_align", "bits_per_sample", "valid_bits")
    for name in same:
        lawful(getattr(old.format, name) == getattr(new.format, name), f"{name} changed")
    carried = [c.id for c in old.chunks if c.id not in {n.id for n in new.chunks}]
    lawful({*carried} <= {b"JUNK", b"PAD ", b"FLLR", b"ds64", b"cue ", b"axml"}, f"{carried} are lost")


@target
def flac_tags(data: bytes) -> None:
    """Any stream gives its facts or is refused, and its comments can be written and read again."""
    facts = read_flac(Watched(data), "x.flac")
    lawful(all(block.offset + 4 + block.size <= len(data) for block in facts.blocks), "a block outside")
    as_json([facts.vendor, [list(pair) for pair in facts.comments], facts.problem])
    body = build_vorbis_comment(facts.vendor, facts.comments)
    head = data[: 4 + 4 + 34]
    again = read_flac(
        BytesSource(head[:4] + b"\0" + head[5:] + b"\x84" + len(body).to_bytes(3, "big") + body), "y.flac"
    )
    lawful(again.comments == facts.comments, f"{again.comments} was {facts.comments}")


@target
def sound_facts(data: bytes) -> None:
    """Whatever is handed to the decoder as a sound file, facts come back, or our own error."""
    facts = read_audio_facts(Watched(data), "x.flac")
    lawful(facts.frames >= 0 and facts.channels > 0, f"{facts}")


@target
def frames(data: bytes) -> None:
    """Any samples in any shape that can be measured give finite figures; all others are refused."""
    layout = read_layout(BytesSource(data), "x.wav")
    form = layout.format
    if form is None or layout.data is None or layout.data.size == 0 or not form.is_pcm:
        return
    if form.channels > MOST_CHANNELS or layout.data.size > 1 << 16:
        return  # refused before anything is measured (jobs/check_files.py)
    measuring = Measuring(layout, Fraction(max(form.sample_rate, 1)), {"carrier": {"source_bit_depth": 14}})
    for sink in measuring.sinks:
        for at in range(0, layout.data.size, 977):
            sink.feed(data[layout.data.offset + at : layout.data.offset + min(at + 977, layout.data.size)])
    measuring.finish()
