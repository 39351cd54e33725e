"""A job in the middle of an evening, for tests of what people see: a carrier of every kind, a pass that runs,
passes that are over, files that fit and files that do not, a sealed package. All names are invented."""

from __future__ import annotations

import struct
import time
import zlib
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import quote

from bench_server.running import PATIENCE, Running

from support.benchafter import TITLES, A, Finished

ODD = "T/1 ä%?#"
"""An identifier as a shelf list may have it: nothing of it may be taken for a part of an address."""
SPARE = "DECK/9 ä?"
"""The same, of a machine that was put into the register at the bench."""
PAGES = {
    "carriers": "/",
    "carrier": "/carrier/T05",
    "receipt": "/receipt?ids=T01,T05",
    "chains": "/chains",
    "after, found": "/after/T02/1",
    "after, measured": "/after/T01/1",
    "packages": "/packages",
    "set-up": "/machines",
    "defaults": "/machines/defaults",
    "chain": "/machines/chain/A",
    "equipment": f"/machines/equipment/{quote(SPARE, safe='')}",
}


def png(width: int = 64, height: int = 48) -> bytes:
    """A grey picture (PNG specification, second edition, sections 5.2, 5.3 and 11.2)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = b"".join(b"\0" + bytes((x * 3 + y * 2) % 256 for x in range(width)) for y in range(height))
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def full(folder: Path) -> Finished:
    """T01 and T02 were played side by side, T01 has its file; T03 plays; T05 has mould; one id is odd."""
    made = Finished(folder, titles={
        **TITLES,
        "T04": "Choir of the upper valley: festival evening with speeches, the second of three tapes",
        "T05": "Interview with the instrument maker Odile Varnhem",
        ODD: "Found in the wrong case",
    })  # fmt: skip
    made.attach("T01", A)
    made.measure("T01")
    made.at = datetime.now().astimezone().replace(microsecond=0) - timedelta(minutes=11)
    for one in ("T04", "T05", ODD):
        made.act("taken_in", transfer_id=one)
    for field, value in (
        ("carrier_id", "K-0415"), ("carrier_type", "u_matic"), ("label_transcription", "Varnhem 2 / 3.5.87"),
        ("condition_terms", ["mould_suspected", "sticky"]),
        ("condition_note", "White dots along the edge of the pack."),
    ):  # fmt: skip
        made.act("declared", scope="transfer", id="T05", field=field, value=value)
    for scope, id_, field, value in (
        ("job", None, "note", "The archive collects the carriers on Friday."),
        ("defaults", None, "qc_by", "Odo Fenwright"),
        ("chain", "A", "note", "Left rack."),
        ("chain", "C", "deck_id", SPARE),
        ("equipment", SPARE, "kind", "deck"),
        ("equipment", SPARE, "service_log", [{"at": "2026-05-20", "what": "Pinch roller replaced."}]),
        ("equipment", SPARE, "fault_notices", [
            {"id": "F-3", "found_at": "2026-06-01", "what": "Left channel falls out when it is warm."}
        ]),
    ):  # fmt: skip
        made.act("declared", scope=scope, id=id_, field=field, value=value)
    photos = made.folder / "photos"
    photos.mkdir()
    (photos / "T05-1-label side.png").write_bytes(png())
    paths = ["photos/T05-1-label side.png"]
    made.act("declared", scope="transfer", id="T05", field="condition_photos", value=paths)
    settings = made.desk.settings("A")
    made.act("taken_in", transfer_id="T03")
    made.act("pass_started", transfer_id="T03", chain_id="A", settings=settings)
    for seconds, kind, note in (
        (5, "emphasis_on", ""), (9, "programme_start", ""), (70, "error_lamp", ""), (1, "mute", ""),
        (4, "operator_note", "Crackle on the left, as if somebody had touched the lead."), (60, "hold", ""),
        (33, "mode_14", ""), (2, "interpolation_seen", ""), (88, "silence", ""), (20, "speech_slate", ""),
    ):  # fmt: skip
        made.act("event", after=seconds, transfer_id="T03", type=kind, note=note)
    return made


def packed(bench: Running) -> None:
    """Wrap T01 and verify it; returns when both are over."""
    for path, body in (("/work/wrap", {"ids": ["T01"]}), ("/work/verify", {"names": []})):
        status, said = bench.post(path, body)
        assert status == 202, said
        until = time.monotonic() + 2 * PATIENCE
        while (work := works(bench)[said["work"]])["state"] == "running":
            assert time.monotonic() < until, work
            time.sleep(0.1)
        assert work["state"] == "done", work


def works(bench: Running) -> dict[str, dict[str, object]]:
    """What runs or ran in the background, by its id."""
    import json

    return {work["work"]: work for work in json.loads(bench.get("/state"))["works"]}
