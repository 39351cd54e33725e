"""A small job of an invented room, and a desk over it whose clock the test moves."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from provpack.jobs.benchdesk import Acted, Desk, DeskInfo
from provpack.jobs.benchsaid import settings_of

ZONE = timezone(timedelta(hours=2))
JOB = """
job_id = "GTR-2026-044"
client = "Ambersund Chamber Archive"
transfer_organisation = "Grauwell Transfer Room, Marrowick"

[defaults]
clock_source = "source"
src_in_path = "no"
capture_software = "Larkfile 2.6"
capture_word_length = 16

[[chain]]
id = "A"
deck_id = "DECK-1"
dropout_compensator = "off"
picture_processing = []
decoder_id = "DEC-1"
decoder_mode = "auto"
interface_type = "iec60958_coax"
capture_device_id = "CAP-1"
capture_input = "digital 1"
capture_files = "captures/digital-1/*.wav"

[[chain]]
id = "B"
deck_id = "DECK-2"
dropout_compensator = "not_present"
picture_processing = ["tbc"]
decoder_id = "DEC-2"
decoder_mode = "14"
interface_type = "iec60958_optical"
capture_device_id = "CAP-1"
capture_input = "digital 2"

[[chain]]
id = "C"
deck_id = "DECK-2"
decoder_id = "DEC-2"
capture_device_id = "CAP-1"
capture_input = "digital 2"
"""
REGISTER = """
schema_version = "1.1.0"
owner = "Grauwell Transfer Room, Marrowick"

[[equipment]]
id = "DECK-1"
kind = "deck"
make_model = "Ostrane MV-9"
serial = "9-204117"

[[equipment.checks]]
id = "CHK-2026-031"
at = "2026-06-10T08:40:00+02:00"
outcome = "passed"
chain_id = "A"
by = "Ilse Varrow"
note = "Tone left, then right; emphasis flag on and off; no corrections."

[[equipment]]
id = "DECK-2"
kind = "deck"
make_model = "Velkora B-72N"
serial = "721 00388"

[[equipment.service_log]]
at = "2026-05-20"
what = "Pinch roller replaced."
by = "Ewan Tressel, workshop"

[[equipment.checks]]
id = "CHK-2026-012"
at = "2026-04-02T09:00:00+02:00"
outcome = "passed"
chain_id = "B"
by = "Ilse Varrow"
note = "Tone left, then right; 2 corrections."

[[equipment]]
id = "DEC-1"
kind = "decoder"
make_model = "Tellen D-14"
serial = "D14-0093"

[[equipment]]
id = "DEC-2"
kind = "decoder"
make_model = "Tellen D-14"
serial = "none visible"

[[equipment]]
id = "CAP-1"
kind = "capture_device"
make_model = "Norrick Twin"
serial = "T-5512"
"""
CARRIERS = {
    "T01": ("K-0411", "Wind quintet, side recording of the spring concert"),
    "T02": ("K-0412", "Nocturne for two flutes and harp (rehearsal)"),
    "T03": ("K-0413", "Three harbour songs, copy for radio"),
    "T04": ("K-0414", "String trio evening, tape 1"),
}


@dataclass
class World:
    """A desk, and the time it takes to be now."""

    desk: Desk
    info: DeskInfo
    now: list[datetime]

    def after(self, seconds: float) -> None:
        """Let time pass."""
        self.now[0] += timedelta(seconds=seconds)

    def act(self, kind: str, **members: Any) -> Acted:
        """One act of the page, by the person at the bench."""
        return self.desk.act(kind, members, by=self.info.by, through="page")

    def start(self, transfer_id: str, chain_id: str, **changed: Any) -> Acted:
        """A pass with everything as the chain is stated, save what is changed."""
        settings = settings_of(self.desk.chains()[chain_id])
        members = {"transfer_id": transfer_id, "chain_id": chain_id, "settings": settings | changed}
        return self.act("pass_started", **members)


def world(folder: Path, *, job: str = JOB, carriers: bool = True) -> World:
    """The job in a folder of its own, its carriers taken in; no chain runs yet."""
    here = folder / "job"
    here.mkdir()
    (here / "job.toml").write_text(job, encoding="utf-8")
    (here / "equipment.toml").write_text(REGISTER, encoding="utf-8")
    now = [datetime(2026, 6, 12, 20, 30, 0, tzinfo=ZONE)]
    desk = Desk(here, now=lambda: now[0], tool_version="0.1.0")
    info = DeskInfo(destination=folder / "job-packages", by="Ilse Varrow")
    made = World(desk=desk, info=info, now=now)
    for transfer_id, (carrier_id, title) in CARRIERS.items() if carriers else ():
        made.act("taken_in", transfer_id=transfer_id)
        made.act("declared", scope="transfer", id=transfer_id, field="carrier_id", value=carrier_id)
        made.act("declared", scope="transfer", id=transfer_id, field="title", value=title)
        made.after(20)
    return made


def evening(made: World) -> World:
    """Chain A has run once and runs again with a few events; chain B is at rest."""
    made.start("T01", "A")
    made.after(612)
    made.act("event", transfer_id="T01", **{"pass": 1}, type="emphasis_on")
    made.after(1900)
    made.act("pass_stopped", transfer_id="T01", **{"pass": 1}, outcome="complete")
    made.after(300)
    made.start("T02", "A", decoder_mode="14")
    for seconds, kind, note in (
        (31, "emphasis_on", ""), (62, "programme_start", ""), (200, "error_lamp", ""),
        (1, "interpolation_seen", ""), (3, "mute", ""), (1, "unlock", ""), (2, "relock", ""),
        (40, "operator_note", "Crackle on the left only."), (88, "tracking_adjust", ""), (140, "silence", ""),
    ):  # fmt: skip
        made.after(seconds)
        made.act("event", transfer_id="T02", **{"pass": 1}, type=kind, **({"note": note} if note else {}))
    made.after(75)
    return made
