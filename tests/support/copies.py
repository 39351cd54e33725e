"""Damaged copies of one package, and what an independent look says can still be had from them.

The oracle knows the original and searches for its bytes in the copies; nothing of the program's is used.
"""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from provpack.edge import clock
from provpack.edge.commit import Disk, RealDisk, folder_names
from provpack.jobs.heal import heal
from provpack.jobs.healed import HealResult, Ports
from provpack.jobs.progress import Silent
from provpack.measure.fanout import run_serially
from support.bagmaking import BLOCK_FRAMES, block_digests, now, seal, wave

NAME = "tape-7"
MASTER = f"data/master/{NAME}.wav"
BLOCKS = "data/metadata/block-digests.json"
PAYLOAD_MANIFESTS = ("manifest-sha256.txt", "manifest-sha512.txt")
IDENTITY, OTHER_ROOT = "tagmanifest-sha512.txt", "tagmanifest-sha256.txt"
Tree = dict[str, bytes]


def hurt(path: Path, at: int = 20) -> None:
    """Flip one bit of a file."""
    data = bytearray(path.read_bytes())
    data[at] ^= 0x04
    path.write_bytes(data)


def make_package(root: Path, *, blocks: int = 40, seed: int = 1, ours: bool = True) -> Path:
    """A small sealed package with a master of short blocks (the last one shorter), all noise."""
    frames = blocks * BLOCK_FRAMES - 37
    after = b"LIST" + (56).to_bytes(4, "little") + random.Random(seed).randbytes(56)
    data, offset = wave(frames, seed, after)
    page = random.Random(seed + 5).randbytes(300).hex().encode()
    files: Tree = {
        MASTER: data,
        "data/passes/pass-2.wav": wave(900, seed + 100)[0],
        "data/documents/log.txt": b"Side A, nothing heard.\n" * 9,
        "data/report/index.html": b"<html>" + page + b"</html>",
    }
    if ours:
        record = {"package_name": NAME, "record_id": "0c9b4ad7-3a86-4d2b-8f60-5a0f0c1f8f11"}
        files["data/metadata/record.json"] = json.dumps(record).encode()
        files[BLOCKS] = json.dumps(block_digests(MASTER, data, offset, frames)).encode()
        files["READ-ME-FIRST.txt"] = b"Read me first.\n" * 20
    for path, content in files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(content)
    seal(root)
    return root


def tree(root: Path) -> Tree:
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in sorted(root.rglob("*")) if p.is_file()}


# --- damage ---


def _flip(d: random.Random, data: bytes) -> bytes:
    at = d.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << d.randrange(8)]) + data[at + 1 :]


def _zeros(d: random.Random, data: bytes) -> bytes:
    at, length = d.randrange(len(data)), d.choice([1, 40, 400, 3000])
    return data[:at] + bytes(len(data[at : at + length])) + data[at + length :]


def _noise(d: random.Random, data: bytes) -> bytes:
    at, length = d.randrange(len(data)), d.choice([20, 800, 5000])
    return data[:at] + d.randbytes(len(data[at : at + length])) + data[at + length :]


def _shorter(d: random.Random, data: bytes) -> bytes:
    return data[: d.randrange(len(data))]


def _inserted(d: random.Random, data: bytes) -> bytes:
    at = d.choice([0, d.randrange(len(data))])
    return data[:at] + d.randbytes(d.choice([1, 3, 400, 512])) + data[at:]


def _cut(d: random.Random, data: bytes) -> bytes:
    at = d.randrange(len(data))
    return data[:at] + data[at + d.choice([1, 4, 400, 1700]) :]


WAYS: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    _flip, _flip, _flip, _zeros, _zeros, _noise, _shorter, _inserted, _cut,
)  # fmt: skip


def damage(dice: random.Random, root: Path, times: int) -> None:
    """Harm a copy so many times: mostly its master, sometimes its manifests, lost and swapped files."""
    for _ in range(times):
        there = tree(root)
        sort = dice.random()
        if sort < 0.06:
            (root / dice.choice(sorted(there))).unlink()
        elif sort < 0.12:
            one, other = dice.sample(sorted(p for p in there if p.startswith("data/")), 2)
            (root / one).write_bytes(there[other])
            (root / other).write_bytes(there[one])
        else:
            names = sorted(there)
            if sort < 0.7 and MASTER in there:
                names = [MASTER]
            elif sort < 0.82:
                names = [n for n in names if "manifest-" in n] or names
            name = dice.choice(names)
            if there[name]:
                (root / name).write_bytes(dice.choice(WAYS)(dice, there[name]))


# --- what can be had ---


@dataclass(frozen=True)
class Oracle:
    """What the copies still hold. lost: paths; blocks, head, tail: what is lost of the master, when it is."""

    lost: frozenset[str]
    blocks: tuple[int, ...] = ()
    head: bool = False
    tail: bool = False
    exact: bool = True
    """Whether the list of lost files can be told exactly (a tag manifest or a manifest is there)."""

    @property
    def healable(self) -> bool:
        return not self.lost


def look(original: Tree, copies: Sequence[Tree], *, identity_known: bool = False) -> Oracle:
    everything = [data for copy in copies for data in copy.values()]
    held = set(everything)

    def lines(name: str) -> set[bytes]:
        """What each line says: hex digits of either case are the same (RFC 8493 section 2.1.3)."""
        found = (line for copy in copies if name in copy for line in copy[name].splitlines(keepends=True))
        return {b" ".join([line.partition(b" ")[0].lower(), line.partition(b" ")[2]]) for line in found}

    def claimed(path: str, names: Sequence[str]) -> bool:
        return any(
            line in lines(name)
            for name in names
            for line in original[name].splitlines(keepends=True)
            if line.endswith(b"  " + path.encode() + b"\n")
        )

    plain = {p for p in original if "manifest-" not in p}
    lost = {p for p in plain if original[p] not in held}
    some_manifest = [m for m in PAYLOAD_MANIFESTS if original[m] in held]
    blocks: tuple[int, ...] = ()
    head = tail = False
    located = BLOCKS in original and BLOCKS not in lost and claimed(BLOCKS, PAYLOAD_MANIFESTS)
    if MASTER in lost and located:
        digests = json.loads(original[BLOCKS])
        start, end = digests["audio_offset"], digests["audio_offset"] + digests["audio_bytes"]
        size, whole = BLOCK_FRAMES * digests["frame_bytes"], original[MASTER]
        parts = [whole[at : min(at + size, end)] for at in range(start, end, size)]
        blocks = tuple(n for n, part in enumerate(parts) if not any(part in data for data in everything))
        head = not any(whole[:start] in data for data in everything)
        tail = not any(whole[end:] in data for data in everything)
        if not (blocks or head or tail):
            lost.discard(MASTER)
    payload = {p for p in plain if p.startswith("data/")}
    for name in PAYLOAD_MANIFESTS:
        if original[name] not in held and not (
            payload.isdisjoint(lost) and all(claimed(p, PAYLOAD_MANIFESTS) for p in payload)
        ):
            lost.add(name)
    listed = {p for p in original if not p.startswith(("data/", "tagmanifest-"))}
    roots = (IDENTITY, OTHER_ROOT)
    whole_root = any(copy.get(IDENTITY) == original[IDENTITY] for copy in copies)
    rebuilt = listed.isdisjoint(lost) and all(claimed(p, roots) for p in listed)
    lines_there = set(original[IDENTITY].splitlines(keepends=True)) <= lines(IDENTITY)
    if not (whole_root or (rebuilt and (identity_known or lines_there))):
        lost.add(IDENTITY)
    exact = IDENTITY not in lost and listed.isdisjoint(lost - set(PAYLOAD_MANIFESTS)) and bool(some_manifest)
    return Oracle(lost=frozenset(lost), blocks=blocks, head=head, tail=tail, exact=exact)


# --- healing them ---


@dataclass
class Ledger:
    """Lines that healing wrote, instead of a file."""

    lines: list[Mapping[str, Any]] = field(default_factory=list)


def ports(disk: Disk | None, ledger: Ledger) -> Ports:
    """Real ports but for the disk, when one is given, and the ledger."""
    return Ports(
        disk=disk or RealDisk(), now=now, new_id=clock.new_id, run_all=run_serially, progress=Silent(),
        list_names=lambda folder: folder_names(folder) if folder.is_dir() else [],
        append_ledger=lambda _folder, line: ledger.lines.append(line),
        healed_documents=lambda _folder: frozenset(str(line["document_sha512"]) for line in ledger.lines),
    )  # fmt: skip


def run_heal(copies: Sequence[Path], destination: Path, **more: Any) -> HealResult:
    return heal(copies, destination, ports(more.pop("disk", None), more.pop("lines", Ledger())), **more)


def copied(original: Path, folder: Path, many: int) -> Iterator[Path]:
    """So many copies of a package, each under its own name in a folder of its own."""
    for n in range(many):
        target = folder / f"copy-{n + 1}" / original.name
        target.parent.mkdir(parents=True)
        shutil.copytree(original, target)
        yield target
