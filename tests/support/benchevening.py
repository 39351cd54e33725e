"""The evening of test_evening.py without its browser: what was done and when, the files that a capture
program would leave, and the packages judged by other means than the program's own. All names are invented."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

from bench_server.running import ROOT, Running, running

from provpack.synth.music import Piece, render
from provpack.synth.tape import EmphasisChange, Span, TapePlan, record
from provpack.synth.wavfile import CaptureNotes, WavForm, wav_bytes
from support.benchbrowser import chain_faults, log_of

RATES = {"K-0411": (44100, Fraction(44100)), "K-0412": (44056, Fraction(44100000, 1001))}
"""Header and exact rate: 625/50 gives 44 100 Hz, 525/59.94 gives 44 100 000 / 1001 (domain note, 1)."""
EXACT = 0.002
"""Seconds: the log and the times of files are in milliseconds."""
WRITTEN = 0.3
"""Seconds: how exactly the file system, whose clock moves in ticks, says when a file was changed."""
SILENT = ("mute", "silence")
FILES = {"K-0411": "captures/one/evening-1.wav", "K-0412": "captures/two/evening-2.wav"}


@dataclass
class Evening:
    """What the test did and when, beside what the program says. pressed: (carrier, type, note, (before,
    after)); ran: when the passes were started and stopped, (before, after) each; began: when a file's first
    sample was taken."""

    job: Path
    destination: Path
    page: Any = None
    bench: Running | None = None
    stack: ExitStack = field(default_factory=ExitStack)
    pressed: list[tuple[str, str, str, tuple[float, float]]] = field(default_factory=list)
    ran: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    began: dict[str, float] = field(default_factory=dict)

    def begin(self) -> None:
        """Start the program on the job folder."""
        words = ("--to", str(self.destination), "--by", "Ilse Varrow")
        self.bench = self.stack.enter_context(running(self.job, *words, opened=False))

    @property
    def log(self) -> list[dict[str, Any]]:
        return log_of(self.job)


def capture(evening: Evening, transfer_id: str) -> None:
    """The file a capture program leaves: begun a second before the click, closed after the stop. The tape
    goes silent where that was logged. Only that of chain A says in its bext when it began."""
    header, rate = RATES[transfer_id]
    (started, _), (_, stopped) = evening.ran[transfer_id]
    began = evening.began[transfer_id] = float(int(started - 1))  # a bext is in whole seconds
    frames = int((stopped + 1.5 - began) * rate)
    plan = TapePlan(
        sampling_frequency=rate, bits=14, seed=7, skew=False, leader=2000,
        emphasis=tuple(
            EmphasisChange(frame=int((between[0] - began) * rate), on=kind == "emphasis_on")
            for owner, kind, _, between in evening.pressed
            if owner == transfer_id and kind in ("emphasis_on", "emphasis_off")
        ),
        mutes=tuple(
            Span(start=int((between[0] - began) * rate), length=int(rate / 2))
            for owner, kind, _, between in evening.pressed
            if owner == transfer_id and kind in SILENT
        ),
    )  # fmt: skip
    local = datetime.fromtimestamp(began, UTC).astimezone()
    notes = CaptureNotes(
        description="", originator="Larkfile 2.6", reference="", date=f"{local:%Y-%m-%d}",
        time=f"{local:%H:%M:%S}", frames_since_midnight=0,
    )  # fmt: skip
    form = WavForm(header_hz=header, notes=notes if transfer_id == "K-0411" else None)
    piece = Piece(start_s=0.2, seconds=frames / rate - 0.4, seed=len(transfer_id))
    codes = record(plan, render((piece,), sampling_frequency=rate, frames=frames))
    path = evening.job / FILES[transfer_id]
    with path.open("wb") as file:
        for part in wav_bytes(form, frames, codes):
            file.write(part)
    os.utime(path, (began + frames / rate, began + frames / rate))


def judge_from_outside(evening: Evening) -> None:
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-m", "provpack", "verify", str(evening.destination), "--depth", "meaning",
         "--json"],
        capture_output=True, text=True, env=env, cwd=ROOT, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stdout + done.stderr
    counts = json.loads(done.stdout)["counts"]
    assert counts == {"good": 2, "bad": 0, "missing": 0, "could_not_check": 0}
    assert chain_faults(evening.job) == []
    records = {}
    for package in sorted(path for path in evening.destination.iterdir() if (path / "bagit.txt").exists()):
        # RFC 8493, section 2.1.3: a manifest has the lines of GNU coreutils' sha512sum
        for manifest in ("manifest-sha512.txt", "tagmanifest-sha512.txt"):
            check = ["sha512sum", "--check", "--strict", "--quiet", manifest]
            summed = subprocess.run(check, cwd=package, capture_output=True, text=True, check=False)
            assert summed.returncode == 0, summed.stdout + summed.stderr
        told = json.loads((package / "data/metadata/record.json").read_text(encoding="utf-8"))
        records[told["transfer_id"]] = told
    assert set(records) == set(FILES)
    taken_back = {entry["entry"] for entry in evening.log if entry["kind"] == "taken_back"}
    assert len(taken_back) == 1
    assert sum(len(told["processing"]["transfer_events"]) for told in records.values()) == 19
    for transfer_id, told in records.items():
        logged = [
            entry for entry in evening.log
            if entry["kind"] == "event" and entry["transfer_id"] == transfer_id
            and entry["n"] not in taken_back
        ]  # fmt: skip
        assert_events(evening, transfer_id, told, logged)
        assert_told(evening, transfer_id, told)
    assert_states(records)


def assert_events(
    evening: Evening, transfer_id: str, told: dict[str, Any], logged: list[dict[str, Any]]
) -> None:
    """The record has this chain's events and no other, each where the rule of package/benchtime.py says; the
    arithmetic here is the test's own. What was pressed, and when, is the test's own knowledge too."""
    pressed = [one for one in evening.pressed if one[0] == transfer_id and one[1] != "hold"]
    events, rate = told["processing"]["transfer_events"], RATES[transfer_id][1]
    assert [(e["type"], e.get("note", "")) for e in events] == [(kind, text) for _, kind, text, _ in pressed]
    assert [(e["type"], e["at"]) for e in events] == [(e["type"], e["at"]) for e in logged]
    assert {e["origin"] for e in events} == {"seen"}
    (attached,) = (e for e in evening.log if e["kind"] == "file_attached" and e["transfer_id"] == transfer_id)
    assert attached["attached_by"] == "agreement"
    assert attached["starts_from"] == {"K-0411": "bext", "K-0412": "modified_time"}[transfer_id]
    first = datetime.fromisoformat(attached["starts_at"])
    assert abs(first.timestamp() - evening.began[transfer_id]) <= WRITTEN
    for event, (_, kind, _, (before, after)) in zip(events, pressed, strict=True):
        at = datetime.fromisoformat(event["at"])
        assert before - EXACT <= at.timestamp() <= after
        rule = Fraction((at - first) // timedelta(microseconds=1), 1_000_000) * rate
        assert abs(event["frame"] - rule) <= 1, (event, float(rule))
        assert 0 <= event["frame"] < attached["frames"]
        if kind in SILENT:  # the tape itself goes silent there: the frame is where it can be heard
            heard = (before - evening.began[transfer_id]) * rate
            assert abs(event["frame"] - heard) <= (WRITTEN + after - before) * rate


def assert_told(evening: Evening, transfer_id: str, told: dict[str, Any]) -> None:
    """What was written down at the bench, in the record."""
    title = {"K-0411": "Wind quintet", "K-0412": "Nocturne"}[transfer_id]
    number = int(transfer_id[-1])
    assert told["item"]["title"] == title
    assert told["carrier"]["label_transcription"] == f"{title}  side {number}\n[pencil:] copy"
    assert told["condition"]["condition_terms"] == ["good", "dust"]
    assert [w["rule"] for w in told["waivers"]] == ["rec-too-short"]
    (one,) = told["processing"]["passes"]
    assert one["chain_id"] == {"K-0411": "A", "K-0412": "B"}[transfer_id]
    assert one["file"] == FILES[transfer_id]
    for text, between in zip((one["started_at"], one["stopped_at"]), evening.ran[transfer_id], strict=True):
        before, after = between  # pressed, and written
        assert before - EXACT <= datetime.fromisoformat(text).timestamp() <= after
    received = (evening.job / FILES[transfer_id]).read_bytes()
    at = received.index(b"data") + 8
    size = int.from_bytes(received[at - 4 : at], "little")
    assert told["audio_sha256"] == hashlib.sha256(received[at : at + size]).hexdigest()
    rate = told["signal"]["sampling_frequency"]
    assert Fraction(rate["num"], rate["den"]) == RATES[transfer_id][1]


def assert_states(records: dict[str, dict[str, Any]]) -> None:
    """Emphasis and word length as stretches that begin and end where their events lie."""
    one, other = records["K-0411"], records["K-0412"]

    def frame(record: dict[str, Any], kind: str) -> int:
        (found,) = (e["frame"] for e in record["processing"]["transfer_events"] if e["type"] == kind)
        return int(found)

    off, mode = frame(one, "emphasis_off"), frame(other, "mode_14")
    frames = {name: record["measured"]["frames"] for name, record in records.items()}
    stretches = [(r["start"], r["end"], r["emphasis"]) for r in one["signal"]["signal_state_ranges"]]
    assert stretches == [(0, off, "on"), (off, frames["K-0411"], "off")]
    modes = [(r["start"], r["end"], r["mode"]) for r in other["signal"]["signal_state_ranges"]]
    assert modes == [(0, mode, "unknown"), (mode, frames["K-0412"], "14")]
    started = {name: record["processing"]["passes"][0]["started_at"] for name, record in records.items()}
    stopped = {name: record["processing"]["passes"][0]["stopped_at"] for name, record in records.items()}
    assert max(started.values()) < min(stopped.values())  # they ran side by side
    (treatment,) = one["condition"]["treatments"]
    assert treatment["consent_by"] == "Odo Fenwright, Ambersund Chamber Archive"
    photos = [file for file in one["files"] if file["role"] == "photo"]
    assert (
        [file["path"] for file in photos]
        == [photo["path"] for photo in one["condition"]["condition_photos"]]
        != []
    )
    assert not other["condition"].get("treatments") and not other["condition"].get("condition_photos")
