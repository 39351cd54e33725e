"""Lines of a bench log for tests: an invented evening at two machines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from provpack.edge import benchlog
from provpack.package.benchline import bench_line

AGREES = {"time": "agrees", "length": "agrees", "input": "agrees"}


def at(minute: int, second: int = 0) -> str:
    """A moment of the evening, ISO 8601 with offset."""
    return f"2031-05-20T{20 + minute // 60:02}:{minute % 60:02}:{second:02}+02:00"


def line(kind: str, minute: int = 0, *, by: str | None = "M. Ostrava", **members: Any) -> dict[str, Any]:
    return bench_line(
        kind, at=at(minute), by=by, through="page", tool_version="0.1.0", **members
    )  # fmt: skip


def taken_in(transfer: str, minute: int = 0) -> dict[str, Any]:
    return line("taken_in", minute, transfer_id=transfer)


def declared(field: str, value: Any, was: Any, minute: int = 0, **place: Any) -> dict[str, Any]:
    members = {"scope": "transfer", "id": "T01"} | place
    return line("declared", minute, field=field, value=value, was=was, **members)


def started(transfer: str, number: int, chain: str, minute: int = 0, **more: Any) -> dict[str, Any]:
    members = {"settings": {}, "changed": []} | more
    return line("pass_started", minute, transfer_id=transfer, chain_id=chain, **{"pass": number}, **members)


def stopped(transfer: str, number: int, minute: int = 0, **more: Any) -> dict[str, Any]:
    members = {"outcome": "complete"} | more
    return line("pass_stopped", minute, transfer_id=transfer, **{"pass": number}, **members)


def event(transfer: str, number: int, kind: str, minute: int = 0, **more: Any) -> dict[str, Any]:
    return line("event", minute, transfer_id=transfer, type=kind, **{"pass": number}, **more)


def noted(note: str, minute: int = 0, **more: Any) -> dict[str, Any]:
    return line("noted", minute, note=note, **more)


def attached(transfer: str, number: int, file: str, minute: int = 0, **more: Any) -> dict[str, Any]:
    members = {
        "bytes": 1000, "modified_at": at(minute), "frames": 240, "header_sampling_frequency_hz": 44056,
        "starts_at": at(0), "starts_from": "modified_time", "agreement": AGREES, "attached_by": "agreement",
    } | more  # fmt: skip
    return line("file_attached", minute, transfer_id=transfer, file=file, **{"pass": number}, **members)


def detached(transfer: str, number: int, file: str, minute: int = 0) -> dict[str, Any]:
    return line("file_detached", minute, transfer_id=transfer, file=file, **{"pass": number})


def judged(transfer: str, number: int, verdict: str, minute: int = 0, **more: Any) -> dict[str, Any]:
    return line("judged", minute, transfer_id=transfer, verdict=verdict, **{"pass": number}, **more)


def back(entry: int, minute: int = 0) -> dict[str, Any]:
    return line("taken_back", minute, entry=entry)


def counted(*lines: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The lines with their numbers, as fold wants them; not chained."""
    return [{**one, "n": n, "previous": "0" * 128} for n, one in enumerate(lines, 1)]


def filled(path: Path, lines: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The lines appended to the log."""
    return [benchlog.append(path, one) for one in lines]
