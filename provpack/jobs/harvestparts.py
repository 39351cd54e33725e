"""Who and what took part in each pass of a transfer, from its record: for tracing a fault years later.

What a pass says itself goes before what the record says of the transfer as a whole; of a pass over another
chain only what it names itself is known. What belongs to no pass stands by itself, without a time: it may
have taken part at any time.
"""

from __future__ import annotations

from collections.abc import Iterator

from provpack.catalogue.values import Part
from provpack.jobs.harvestwords import no_earlier_than, no_later_than, text, whole
from provpack.model.recordview import Row, View

MOST_PARTS = 5000

_WHOLE = (
    ("deck", "deck/deck_id"),
    ("decoder", "decoder/decoder_id"),
    ("capture_device", "capture/capture_device_id"),
    ("digital_output_board", "decoder/digital_output_revision"),
    ("software", "capture/capture_software"),
    ("chain", "capture/chain_id"),
    ("operator", "people/operator"),
)
_OF_PASS = {
    "deck": "deck_id", "decoder": "decoder_id", "capture_device": "capture_device_id", "chain": "chain_id",
}  # fmt: skip


def parts_of(record: View) -> tuple[Part, ...]:
    """The parts, each once, at most MOST_PARTS of them."""
    found: dict[Part, None] = {}
    for part in _all(record):
        found[part] = None
        if len(found) >= MOST_PARTS:
            break
    return tuple(found)


def input_name(device: str | None, channel: str) -> str:
    """How an input is called; its number alone says nothing."""
    return f"{device} input {channel}" if device else channel


def _all(record: View) -> Iterator[Part]:
    of_whole = {role: what for role, path in _WHOLE if (what := text(record.get(path)))}
    channel = text(record.get("capture/capture_input"))
    if channel:
        of_whole["capture_input"] = input_name(of_whole.get("capture_device"), channel)
    told: set[str] = set()
    times: dict[int | None, tuple[str | None, str | None]] = {}
    for row in record.rows("processing/passes"):
        span = no_later_than(row.fields.get("started_at")), no_earlier_than(row.fields.get("stopped_at"))
        number = whole(row.fields.get("n"))
        times.setdefault(number, span)
        for role, used in _of_pass(row, of_whole, channel).items():
            if of_whole.get(role) == used:
                told.add(role)
            yield _part(used, role, number, span)
    for role, used in of_whole.items():
        if role not in told:
            yield _part(used, role)
    for row in record.rows("path_equipment"):
        if what := text(row.fields.get("equipment_id")):
            number = whole(row.fields.get("pass_n"))
            span = times.get(number, (None, None)) if number is not None else (None, None)
            yield _part(what, text(row.fields.get("kind")) or "other", number, span)
    if qc := text(record.get("people/qc_by")):
        yield _part(qc, "qc_by")
    yield from _steps(record)


def _of_pass(row: Row, of_whole: dict[str, str], channel: str | None) -> dict[str, str]:
    """role -> what, of one pass."""
    named = {role: what for role, key in _OF_PASS.items() if (what := text(row.fields.get(key)))}
    if named.get("chain") in (None, of_whole.get("chain")):
        used = {**of_whole, **named}
    else:
        used = {"operator": of_whole["operator"], **named} if "operator" in of_whole else named
    if used.get("decoder") != of_whole.get("decoder"):
        used.pop("digital_output_board", None)  # the board is that of the other decoder
    own = text(row.fields.get("capture_input"))
    if own or (channel and "capture_input" in used):
        used["capture_input"] = input_name(used.get("capture_device"), own or channel or "")
    return used


def _steps(record: View) -> Iterator[Part]:
    """Programs and people of the processing steps and treatments, with the time that was noted."""
    for row in record.rows("processing/processing_steps"):
        span = no_later_than(row.fields.get("at")), no_earlier_than(row.fields.get("at"))
        tool, agent = text(row.fields.get("tool")), text(row.fields.get("agent"))
        if tool:
            version = text(row.fields.get("version"))
            yield _part(text(f"{tool} {version}" if version else tool) or tool, "software", None, span)
        if agent and agent != tool:
            yield _part(agent, "agent", None, span)
    for row in record.rows("condition/treatments"):
        if agent := text(row.fields.get("agent")):
            start, end = row.fields.get("start"), row.fields.get("end")
            yield _part(agent, "agent", None, (no_later_than(start), no_earlier_than(end)))


def _part(
    what: str, role: str, number: int | None = None, span: tuple[str | None, str | None] = (None, None)
) -> Part:
    return Part(what=what, role=role, pass_n=number, started_at=span[0], stopped_at=span[1])
