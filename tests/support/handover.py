"""Packages, deliveries and receipts made on the spot. All names are invented."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from provpack import __version__
from provpack.cli.handover import close_ports, deliver_ports, receive_ports
from provpack.edge.commit import Disk
from provpack.edge.ledger import LEDGER_NAME, append_many, read_entries
from provpack.edge.sshkeys import load_key, make_key
from provpack.jobs.closing import CloseResult, close_handover
from provpack.jobs.deliver import deliver
from provpack.jobs.delivered import DeliverResult, Wishes
from provpack.jobs.progress import Silent
from provpack.jobs.receipts import ReceiveResult, ReceiveWishes
from provpack.jobs.receive import receive
from provpack.jobs.signatures import Signer
from provpack.package.ledgerline import ledger_line
from provpack.package.signers import Signers, parse_signers, signer_line
from provpack.package.sshsig import NAMESPACE_DELIVERY, NAMESPACE_PACKAGE, NAMESPACE_RECEIPT
from support.jobs import make_job, wrap

CLIENT = "Ambersund Chamber Archive"
OTHER = "Tollvik Parish"
ALL = (NAMESPACE_PACKAGE, NAMESPACE_DELIVERY, NAMESPACE_RECEIPT)


def studio(
    top: Path,
    *,
    ids: tuple[str, ...] = ("T01", "T02", "T03"),
    other: tuple[str, ...] = (),
    frames: int = 3000,
) -> Path:
    """A folder of packages with the ledger of their sealing; other: transfers of a second client.

    Packages are called job-1_t01 ..., seven of a job, and job2-1_u01 ... for the second client.
    """
    out = top / "out"
    for name, client, wanted in (("job", CLIENT, ids), ("job2", OTHER, other)):
        for at in range(0, len(wanted), 7):
            number = at // 7 + 1
            job = make_job(top / f"{name}-{number}", ids=wanted[at : at + 7], frames=frames)
            sheet = job / "job.toml"
            text = sheet.read_text().replace(CLIENT, client)
            sheet.write_text(text.replace('"JOB-1"', f'"{name.upper()}-{number}"'))
            units = wrap(job, out).units
            assert [u.outcome for u in units] == ["wrapped"] * len(units)
            append_many(out / LEDGER_NAME, [
                ledger_line(
                    "wrapped", at="2026-06-04T12:00:00+02:00", tool_version=__version__,
                    package=u.package_name, tagmanifest_sha512=u.tagmanifest_sha512, record_id=u.record_id,
                    outcome="done",
                )
                for u in units
            ])  # fmt: skip
    return out


def hand_over(out: Path, to: Path, *, disk: Disk | None = None, **wishes: Any) -> DeliverResult:
    """Deliver with real ports, or onto another disk."""
    ports = deliver_ports(Silent())
    if disk is not None:
        ports = replace(ports, disk=disk)
    return deliver([out], to, ports, Wishes(**{"name": "d1", **wishes}))


def take_in(path: Path, to: Path, *, disk: Disk | None = None, **wishes: Any) -> ReceiveResult:
    """Receive with real ports, or onto another disk."""
    to.mkdir(exist_ok=True)
    ports = receive_ports(Silent())
    if disk is not None:
        ports = replace(ports, disk=disk)
    return receive(path, to, ports, ReceiveWishes(**wishes))


def close_with(receipt: Path, ledger: Path, signers: Signers | None = None, **how: Any) -> CloseResult:
    return close_handover(receipt, ledger, close_ports(), signers, **how)


def signer(folder: Path, name: str) -> Signer:
    """A new key, and its name in lists of signers."""
    folder.mkdir(parents=True, exist_ok=True)
    make_key(folder / name, name)
    return Signer(principal=name, key=load_key(folder / name, None))


def trusting(*who: Signer) -> Signers:
    """A list with these keys, as a receiver keeps it."""
    lines = [signer_line(one.principal, one.public_line, ALL) for one in who]
    return parse_signers("\n".join(lines).encode(), "my-own-list")


def rules_of(found: Any) -> set[str]:
    return {f.rule for f in found}


def lines_of(out: Path, kind: str) -> list[dict[str, Any]]:
    return [e for e in read_entries(out / LEDGER_NAME) if e["kind"] == kind]


def flip(path: Path, at: float = 0.5) -> None:
    """One bit of a file, at a part of its length."""
    data = bytearray(path.read_bytes())
    data[min(int(len(data) * at), len(data) - 1)] ^= 1
    path.write_bytes(data)


def run_in(folder: Path, command: str, *, home: Path | None = None) -> subprocess.CompletedProcess[str]:
    """A line of shell, as a registrar types it."""
    env = {"PATH": os.environ["PATH"], "LC_ALL": "C", "HOME": str(home or folder)}
    return subprocess.run(
        ["/bin/sh", "-c", command],
        cwd=folder,
        env=env,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


Edit = Callable[[dict[str, Any]], None]
