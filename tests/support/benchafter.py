"""A job whose two chains have just run side by side, and the files both left. All names are invented."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from provpack.jobs.benchdesk import Acted, Desk, DeskInfo
from provpack.jobs.benchfiles import FileWatch
from provpack.jobs.benchmeasure import measure_pass, measured_before
from provpack.jobs.progress import Silent
from support.jobs import EQUIPMENT, JOB, samples, wav

RATE, SECONDS = 44100, 10
A, B = "captures/one/a.wav", "captures/two/b.wav"
MACHINES = """
[[equipment]]
id = "DECK-2"
kind = "deck"
make_model = "Velkora B-72"
serial = "0011"
[[equipment]]
id = "DEC-2"
kind = "decoder"
make_model = "Pellard DA-16"
serial = "0012"
"""
CHAINS = """
line_standard = "625_50"
tape_emphasis = "on"
tape_emphasis_evidence = ["indicator"]
file_emphasis = "present"
channel_use = "stereo"
[[chain]]
id = "A"
deck_id = "DECK-1"
decoder_id = "DEC-1"
capture_device_id = "CAP-1"
capture_input = "1"
capture_files = "captures/one/*.wav"
[[chain]]
id = "B"
deck_id = "DECK-2"
decoder_id = "DEC-2"
capture_device_id = "CAP-1"
capture_input = "2"
capture_files = "captures/two/*.wav"
"""
ROW = """
[[transfer]]
transfer_id = "{id}"
client_item_id = "{id}"
title = "{title}"
outcome = "complete"
"""
TITLES = {"T01": "Wind quintet, side recording", "T02": "Nocturne (rehearsal)", "T03": "Harbour songs"}


class Finished:
    """The job folder, a desk whose clock the test moves, and what its views are told. T01 ran on chain A and
    T02 on chain B, from the same minute on; T03 was not played."""

    def __init__(self, folder: Path, *, titles: Mapping[str, str] = TITLES) -> None:
        self.folder = folder / "job"
        self.folder.mkdir()
        text = JOB.format(minutes=60) + CHAINS + "".join(ROW.format(id=i, title=t) for i, t in titles.items())
        (self.folder / "job.toml").write_text(text, encoding="utf-8")
        (self.folder / "equipment.toml").write_text(EQUIPMENT + MACHINES, encoding="utf-8")
        self.at = datetime.fromisoformat("2026-06-02T21:00:00+02:00")
        self.destination = folder / "packages"
        self.desk = Desk(self.folder, now=lambda: self.at, tool_version="1.0.0", destination=self.destination)
        self.works: dict[str, Mapping[str, Any]] = {}
        self._begin("T01", "A")
        self._begin("T02", "B")
        for kind, note in (("mute", "both sides"), ("error_lamp", ""), ("hold", "")):
            self.act("event", after=2, transfer_id="T01", type=kind, note=note)
        self.at += timedelta(seconds=SECONDS - 6)
        for number, name in enumerate((A, B), 1):
            self.capture(name, number)
        self.act("pass_stopped", after=1, transfer_id="T01", outcome="complete")
        self.act("pass_stopped", after=0, transfer_id="T02", outcome="complete")
        self.at += timedelta(minutes=5)
        clock = [0.0]
        self.watch = FileWatch(self.folder, clock=lambda: clock[0])
        self.watch.look()
        clock[0] = 60.0
        self.watch.look()

    def _begin(self, transfer_id: str, chain_id: str) -> None:
        settings = self.desk.settings(chain_id)
        self.act("taken_in", after=0, transfer_id=transfer_id)
        self.act("pass_started", after=0, transfer_id=transfer_id, chain_id=chain_id, settings=settings)

    def act(self, kind: str, /, after: float = 1, **members: Any) -> Acted:
        """One act of the page."""
        self.at += timedelta(seconds=after)
        given = {k: v for k, v in members.items() if v != ""}
        return self.desk.act(kind, given, by="Ilse Varrow", through="page")

    def capture(self, name: str, seed: int) -> None:
        """A capture that was closed now."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(wav(samples(SECONDS * RATE, seed)))
        os.utime(path, (self.at.timestamp(), self.at.timestamp()))

    def attach(self, transfer_id: str, file: str, **members: Any) -> Acted:
        """Attach a file to the first pass of a transfer."""
        return self.act("file_attached", transfer_id=transfer_id, file=file, **{"pass": 1}, **members)

    def measure(self, transfer_id: str) -> None:
        """Measure the file of its first pass, here and now."""
        measure_pass(self.folder, transfer_id, 1, lambda: self.at, Silent())

    @property
    def info(self) -> DeskInfo:
        return DeskInfo(
            destination=self.destination, by="Ilse Varrow", works=self.works, files=self.watch.files,
            measured=lambda name: measured_before(self.folder, name),
        )  # fmt: skip
