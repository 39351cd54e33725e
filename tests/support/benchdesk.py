"""A desk over a real job folder, with a clock that the test moves. All names are invented."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from provpack.errors import ProvpackError
from provpack.jobs.benchdesk import Acted, Desk
from support.benchsheets import write_job
from support.jobs import samples, wav

START = datetime.fromisoformat("2026-06-02T21:00:00+02:00")
CHAINS: tuple[Mapping[str, Any], ...] = (
    {
        "id": "A", "deck_id": "DECK-1", "decoder_id": "DEC-1", "capture_device_id": "CAP-1",
        "capture_input": "1", "capture_files": "captures/one/*.wav", "note": "left rack",
    },
    {
        "id": "B", "deck_id": "DECK-2", "decoder_id": "DEC-2", "capture_device_id": "CAP-1",
        "capture_input": "2", "capture_files": "captures/two/*.wav",
    },
)  # fmt: skip


class Evening:
    """A job folder with two chains and transfer T1 in its sheet; T2.. are taken in. at: the clock."""

    def __init__(self, folder: Path, **places: Any) -> None:
        given: dict[str, Any] = {
            "job": [
                {"job_id": "J1", "client": "Ambersund Archive", "transfer_organisation": "Grauwell Room"}
            ],
            "defaults": [{}],
            "chain": CHAINS,
            "transfer": [{"transfer_id": "T1", "title": "Evening one"}],
            "equipment": [{"id": "DECK-1", "kind": "deck", "make_model": "Velkora B-70", "serial": "1"}],
        }
        self.folder = write_job(folder, {**given, **places})
        self.at = START
        self.desk = self.another()

    def another(self) -> Desk:
        """A second desk over the same folder, as another process has it."""
        return Desk(self.folder, now=lambda: self.at, tool_version="1.0.0")

    def act(self, kind: str, /, after: float = 1, **members: Any) -> Acted:
        """One act, that many seconds after the one before."""
        self.at += timedelta(seconds=after)
        return self.desk.act(kind, members, by="Ilse Varrow", through="page")

    def refused(self, code: str, kind: str, /, **members: Any) -> ProvpackError:
        """The refusal of an act: its code, and nothing written."""
        before = (self.folder / "bench-log.jsonl").read_bytes() if self.desk.state.n else b""
        with pytest.raises(ProvpackError) as caught:
            self.act(kind, **members)
        assert caught.value.code == f"bench-{code}", caught.value
        assert caught.value.exit_code == 12
        assert caught.value.what and caught.value.todo and caught.value.where
        after = (self.folder / "bench-log.jsonl").read_bytes() if self.desk.state.n else b""
        assert before == after
        return caught.value

    def start(self, transfer_id: str, chain_id: str, /, **changes: Any) -> Acted:
        """A pass with the settings of its chain confirmed, some of them changed."""
        settings = {**self.desk.settings(chain_id), **changes}
        return self.act("pass_started", transfer_id=transfer_id, chain_id=chain_id, settings=settings)

    def capture(self, name: str, seconds: float) -> str:
        """A capture of that length that was closed now."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(wav(samples(int(seconds * 44100))))
        os.utime(path, (self.at.timestamp(), self.at.timestamp()))
        return name
