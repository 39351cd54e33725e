"""The demo's second half: what was wrapped is delivered to each client, received there, and closed here.

Both sides run on one machine: each has a key of its own, made on the spot, and a list of the other's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from provpack.edge import sshkeys
from provpack.errors import Bug
from provpack.jobs.clientprofiles import load_profile_file
from provpack.jobs.closing import ClosePorts, CloseResult, close_handover
from provpack.jobs.deliver import deliver
from provpack.jobs.delivered import DeliverPorts, DeliverResult
from provpack.jobs.delivered import Wishes as DeliverWishes
from provpack.jobs.deliverycopy import Form
from provpack.jobs.receipts import ReceivePorts, ReceiveResult, ReceiveWishes
from provpack.jobs.receive import receive
from provpack.jobs.signatures import Signer
from provpack.package.signers import Signers, parse_signers, signer_line
from provpack.package.sshsig import NAMESPACE_DELIVERY, NAMESPACE_PACKAGE, NAMESPACE_RECEIPT

STUDIO = "transfer-room@grauwell.example"
CLIENTS: Mapping[str, tuple[str, Form]] = {
    "ambersund": ("registrar@ambersund.example", "folder"),
    "tarnwick": ("collections@tarnwick.example", "zip"),
}
"""Requirements file without its ending -> who receives, and in which form."""

KEYS_NOTE = """\
Keys of the demo: the transfer room's and the clients', made on the spot and without a passphrase.
Trust them with nothing. Make your own with a passphrase: ssh-keygen -t ed25519 -C you@your.example
"""
Write = Callable[[str, tuple[bytes, ...]], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOver:
    """One hand-over, from both sides."""

    delivered: DeliverResult
    received: ReceiveResult
    closed: CloseResult

    @property
    def exit_code(self) -> int:
        """The gravest of the three."""
        return max(self.delivered.exit_code, self.received.exit_code, self.closed.exit_code)


def studio_signer(top: Path, write: Write) -> Signer:
    """Make the folder for the keys, and the studio's key in it."""
    write("keys/READ-ME.txt", (KEYS_NOTE.encode(),))
    return _make_key(top, "transfer-room", STUDIO)


def _make_key(top: Path, name: str, principal: str) -> Signer:
    """A new key in top/keys, and whose it is."""
    return Signer(principal=principal, key=sshkeys.make_key(top / "keys" / name, principal))


def _listed(signer: Signer, *namespaces: str) -> tuple[bytes, Signers]:
    """The list of signers with that one line, as bytes and as read."""
    data = (signer_line(signer.principal, signer.public_line, namespaces) + "\n").encode()
    return data, parse_signers(data, "allowed_signers")


def hand_over(
    top: Path,
    studio: Signer,
    write: Write,
    deliver_ports: DeliverPorts,
    receive_ports: ReceivePorts,
    close_ports: ClosePorts,
) -> list[HandOver]:
    """Deliver top/packages to each client, receive it in top/receipts, close it in the ledger.

    write: makes a new file below top. Raises what the three jobs raise.
    """
    line, studios = _listed(studio, NAMESPACE_PACKAGE, NAMESPACE_DELIVERY)
    write("keys/allowed_signers", (line,))
    write(
        "receipts/READ-ME.txt", (b"What the clients of the demo sent back: receipts and their signatures.\n",)
    )
    out = []
    for name, (principal, form) in CLIENTS.items():
        profile = load_profile_file(top / "job" / "clients" / f"{name}.json")
        client = _make_key(top, name, principal)
        line, clients = _listed(client, NAMESPACE_RECEIPT)
        write(f"keys/allowed_signers_{name}", (line,))
        wishes = DeliverWishes(form=form, client=profile.client, profile=profile, signer=studio)
        delivered = deliver([top / "packages"], top / "deliveries", deliver_ports, wishes)
        if delivered.delivery is None:
            raise delivered.problem or Bug(
                "demo-not-delivered", f"Nothing was delivered to {name}.", where=str(top), todo="Report this."
            )
        asked = ReceiveWishes(signers=studios, require_signature=True, name="the registrar", signer=client)
        received = receive(delivered.delivery, top / "receipts", receive_ports, asked)
        closed = close_handover(received.receipt, top / "packages", close_ports, clients)
        out.append(HandOver(delivered=delivered, received=received, closed=closed))
    return out
