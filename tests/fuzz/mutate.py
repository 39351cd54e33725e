"""Changes that keep an input nearly right: mutators that know chunk trees, lines, JSON, tar, zip and armour.

`mutated(name, data, rng)` changes an input of the target `name`; the same state of rng gives the same change.
"""

from __future__ import annotations

import base64
import copy
import hashlib
import json
import random
import struct
import textwrap
from collections.abc import Callable
from typing import Any

from fuzz.law import PART

Mutator = Callable[[bytes, random.Random], bytes]

NUMBERS = (0, 1, 2, 3, 7, 8, 127, 128, 255, 256, 4095, 65535, 1 << 31, (1 << 32) - 1, (1 << 31) - 1)
WORDS = (
    b"\xff\xff\xff\xff", bytes(4), b"\x01\0\0\0", b"data", b"fmt ", b"LIST", b"ds64", b"bext", b"\n", b"\r\n",
    b"\r", b"\t", b" ", b"  ", b"*", b"%0A", b"%25", b"data/", b"../", b"./", b"/", b"\\", b"~", b"C:", b":",
    b"|",
    b'"', b"'", b"=", b",", b";", b"-", b"\0", b"\xef\xbb\xbf", b"\xff\xfe", b"\xed\xa0\x80", b"\xc2\x85",
    "\u2028".encode(), "\u202e".encode(), "\u0661".encode(), "\u00b2".encode(), "\U0001f600".encode(),
    b"9" * 25, b"9" * 5000, b"-1", b"1e400", b"NaN", b"null", b"{}", b"[]", b"&#0;", b"<!DOCTYPE a>", b"]]>",
    b"unknown", b"2026-02-30", b"0000-00-00", b"9999-12-31T23:59:60Z", b"24:00:00", b"44100000/1001", b"1/0",
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 1.5, -0.0, 1e308, 5e-324, 2**31, 2**63, -(2**63), 10**30, 10**400,
    "", " ", "x", "\0",
    "\ud800", "\u202e", "x" * 300, "9" * 30, "2026-06-09", "0000-00-00", "9999-12-31T23:59:59+14:00",
    "0001-01-01T00:00:00-14:00", "../x", "*", "a*b*c*d", "{", "{carrier_id", "\u00b2", "1.0.0", "99.0.0",
    [], {},
    [[]], [None], [{}], {"": None}, {"num": 1, "den": 0}, {"num": 10**30, "den": 7}, ["x"] * 30,
)  # fmt: skip


def bytewise(data: bytes, rng: random.Random) -> bytes:
    """A bit, a byte, a word, a piece cut out, doubled or moved, or the end cut off."""
    out = bytearray(data)
    at = rng.randrange(len(out) + 1)
    end = min(len(out), at + rng.choice((1, 2, 4, 8, 24, 200)))
    match rng.randrange(9):
        case 0 if at < len(out):
            out[at] ^= 1 << rng.randrange(8)
        case 1 if at < len(out):
            out[at] = rng.randrange(256)
        case 2:
            out[at:at] = rng.choice(WORDS)
        case 3:
            out[at : at + 4] = rng.choice(WORDS)
        case 4:
            del out[at:end]
        case 5:
            out[at:at] = out[at:end] * rng.choice((1, 1, 2, 20))
        case 6:
            piece = bytes(out[at:end])
            del out[at:end]
            put = rng.randrange(len(out) + 1)
            out[put:put] = piece
        case 7:
            number = rng.choice(NUMBERS) + rng.randrange(-2, 3)
            size = rng.choice((1, 2, 4, 8))
            out[at : at + size] = (number % (1 << 8 * size)).to_bytes(size, rng.choice(("little", "big")))
        case _ if rng.random() < 0.2:
            del out[at:]
    return bytes(out)


def _chunks(data: bytes) -> list[tuple[bytes, bytes, bytes]]:
    """(id, size field, body with pad) as long as it goes."""
    found, at = [], 0
    while at + 8 <= len(data):
        size = int.from_bytes(data[at + 4 : at + 8], "little")
        end = min(len(data), at + 8 + size + size % 2)
        found.append((data[at : at + 4], data[at + 4 : at + 8], data[at + 8 : end]))
        at = end
    return found


def riff(data: bytes, rng: random.Random) -> bytes:
    """Whole chunks dropped, doubled, swapped, renamed, resized; or a body changed and its size kept right."""
    head, chunks = data[:12], _chunks(data[12:])
    if not chunks or rng.random() < 0.2:
        return bytewise(data, rng)
    n = rng.randrange(len(chunks))
    name, size, body = chunks[n]
    match rng.randrange(7):
        case 0:
            del chunks[n]
        case 1:
            chunks.insert(rng.randrange(len(chunks) + 1), chunks[n])
        case 2:
            other = rng.randrange(len(chunks))
            chunks[n], chunks[other] = chunks[other], chunks[n]
        case 3:
            chunks[n] = (rng.choice((*(c[0] for c in chunks), *WORDS))[:4].ljust(4), size, body)
        case 4:
            told = (len(body) + rng.choice((-8, -2, -1, 1, 2, 8, 1 << 16, -(1 << 16)))) % (1 << 32)
            chunks[n] = (name, struct.pack("<I", rng.choice((told, *NUMBERS[-3:]))), body)
        case 5 if name == b"LIST":
            inner = body[:4] + riff(body[:12] + body[4:], rng)[12:] if len(body) > 12 else bytewise(body, rng)
            chunks[n] = (name, struct.pack("<I", len(inner)), inner + bytes(len(inner) % 2))
        case _:
            inner = bytewise(body, rng)
            chunks[n] = (name, struct.pack("<I", len(inner)), inner + bytes(len(inner) % 2))
    whole = b"".join(b"".join(one) for one in chunks)
    if rng.random() < 0.7 and head[:4] not in (b"RF64", b"BW64"):
        head = head[:4] + struct.pack("<I", (len(whole) + 4) % (1 << 32)) + head[8:]
    return head + whole


def lines(data: bytes, rng: random.Random) -> bytes:
    """Lines dropped, doubled, swapped, or one of them changed."""
    found = data.split(b"\n")
    n = rng.randrange(len(found))
    match rng.randrange(6):
        case 0:
            del found[n]
        case 1:
            found[n:n] = [found[n]] * rng.choice((1, 1, 30))
        case 2:
            other = rng.randrange(len(found))
            found[n], found[other] = found[other], found[n]
        case 3:
            words = found[n].split(b" ")
            words[rng.randrange(len(words))] = rng.choice(WORDS)
            found[n] = b" ".join(words)
        case _:
            found[n] = bytewise(found[n], rng)
    return b"\n".join(found)


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to each value of a JSON tree."""
    here = [path]
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, below in inner:
        here += _places(below, (*path, key))
    return here


def _tree(value: Any, rng: random.Random) -> Any:
    way = rng.choice(_places(value))
    if not way:
        return copy.deepcopy(rng.choice(VALUES)) if rng.random() < 0.02 else value
    holder = value
    for key in way[:-1]:
        holder = holder[key]
    key, old = way[-1], holder[way[-1]]
    match rng.randrange(7):
        case 0:
            del holder[key]
        case 1 if isinstance(holder, list):
            holder[key:key] = [copy.deepcopy(old) for _ in range(rng.choice((1, 3)))]
        case 1 | 2:
            holder[rng.choice(("x", "", "A", "\ud800")) if isinstance(holder, dict) else key] = copy.deepcopy(
                old
            )
        case 3 if isinstance(old, str):
            holder[key] = bytewise(old.encode("utf-8", "surrogatepass"), rng).decode("utf-8", "replace")
        case 4 if type(old) is int:
            holder[key] = old + rng.choice((-1, 1, 1 << 20, -(1 << 40), 1 << 62))
        case 5:
            holder[key] = rng.choice(([old], {"x": old}, [[[old]]]))
        case _:
            holder[key] = copy.deepcopy(rng.choice(VALUES))
    return value


def jsontree(data: bytes, rng: random.Random) -> bytes:
    """A value somewhere in the document taken out, doubled, or replaced by one of any kind."""
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return bytewise(data, rng)
    if rng.random() < 0.1:
        return bytewise(data, rng)
    for _ in range(rng.choice((1, 1, 2, 4))):
        value = _tree(value, rng)
    return json.dumps(value, ensure_ascii=rng.random() < 0.5).encode("utf-8", "replace")


def ledger(data: bytes, rng: random.Random) -> bytes:
    """A line changed, and as a rule all the following chained to it anew, as who forges would."""
    found = [line for line in data.split(b"\n") if line] or [b"{}"]
    if rng.random() < 0.4:
        return lines(data, rng)
    n = rng.randrange(len(found))
    found[n] = jsontree(found[n], rng)
    out, previous = [], "0" * 128
    for number, line in enumerate(found, 1):
        try:
            entry = json.loads(line)
            if isinstance(entry, dict):
                line = json.dumps({**entry, "n": number, "previous": previous}).encode()
        except (ValueError, RecursionError):
            pass
        out.append(line)
        previous = hashlib.sha512(line).hexdigest()
    return b"\n".join(out) + b"\n"


TAR_FIELDS = ((0, 100), (100, 8), (124, 12), (136, 12), (156, 1), (157, 100), (257, 8), (345, 155))


def tar(data: bytes, rng: random.Random) -> bytes:
    """A field of a header changed and its checksum made right; or blocks dropped, doubled, swapped."""
    blocks = [data[n : n + 512] for n in range(0, len(data), 512)] or [b""]
    n = rng.randrange(len(blocks))
    match rng.randrange(6):
        case 0:
            del blocks[n]
        case 1:
            blocks.insert(rng.randrange(len(blocks)), blocks[n])
        case 2:
            blocks[n] = bytewise(blocks[n], rng)
        case _:
            heads = [i for i, b in enumerate(blocks) if b[257:262] == b"ustar"] or [n]
            n = rng.choice(heads)
            head = bytearray(blocks[n].ljust(512, b"\0"))
            at, size = rng.choice(TAR_FIELDS)
            new = rng.choice(
                (
                    b"%o" % rng.choice(NUMBERS),
                    rng.choice(WORDS),
                    b"x",
                    b"g",
                    b"L",
                    b"1",
                    b"5",
                    b"\x80" + bytes(10) + b"\7",
                )
            )
            head[at : at + size] = new[:size].ljust(size, b"\0")
            head[148:156] = b" " * 8
            head[148:156] = b"%06o\0 " % sum(head)
            blocks[n] = bytes(head)
    return b"".join(blocks)


def zips(data: bytes, rng: random.Random) -> bytes:
    """A field of a local header, the directory or the end record changed, often in two of them alike."""
    out = bytearray(data)
    heads = [at for sign in (b"PK\1\2", b"PK\3\4", b"PK\5\6", b"PK\7\b") for at in _found(data, sign)]
    if not heads or rng.random() < 0.3:
        return bytewise(data, rng)
    at = rng.choice(heads)
    field = at + rng.randrange(4, 46, 2)
    size = rng.choice((2, 4))
    old = bytes(out[field : field + size])
    number = (int.from_bytes(old, "little") + rng.choice((-1, 1, 8, 46, *NUMBERS))) % (1 << 8 * size)
    new = rng.choice((number, rng.choice(NUMBERS) % (1 << 8 * size))).to_bytes(size, "little")
    if rng.random() < 0.5:
        return bytes(out).replace(old, new, 2)
    out[field : field + size] = new
    return bytes(out)


def _found(data: bytes, sign: bytes) -> list[int]:
    out, at = [], data.find(sign)
    while at >= 0:
        out.append(at)
        at = data.find(sign, at + 1)
    return out


def armour(data: bytes, rng: random.Random) -> bytes:
    """The bytes inside the armour changed, a length field as a rule, and armoured anew."""
    first, *rest = data.split(b"\n")
    last = next((line for line in rest if line.startswith(b"-----END")), b"")
    try:
        blob = base64.b64decode(b"".join(rest[: rest.index(last)])) if last else b""
    except ValueError:
        blob = b""
    if not blob or rng.random() < 0.2:
        return lines(data, rng)
    text = base64.b64encode(bytewise(blob, rng)).decode()
    return b"\n".join((first, *(t.encode() for t in textwrap.wrap(text, 70)), last, b""))


def table(data: bytes, rng: random.Random) -> bytes:
    """Cells of a sheet swapped, replaced, quoted; or its lines changed."""
    if rng.random() < 0.3:
        return lines(data, rng)
    rows = [line.split(b",") for line in data.split(b"\n")]
    row = rng.choice(rows)
    cell = rng.randrange(len(row))
    match rng.randrange(5):
        case 0:
            other = rng.choice(rows)
            where = rng.randrange(len(other))
            row[cell], other[where] = other[where], row[cell]
        case 1:
            row[cell] = rng.choice(WORDS)
        case 2:
            row[cell] = b'"' + row[cell].replace(b'"', b'""') + b'\n"'
        case 3:
            row[cell] = rng.choice(rng.choice(rows))
        case _:
            row[cell] = bytewise(row[cell], rng)
    return b"\n".join(b",".join(row) for row in rows)


def parted(*kinds: Mutator) -> Mutator:
    """One part of the input changed by the mutator that knows it; now and then the whole."""

    def change(data: bytes, rng: random.Random) -> bytes:
        pieces = data.split(PART)
        if rng.random() < 0.03:
            return bytewise(data, rng)
        n = rng.randrange(len(pieces))
        pieces[n] = kinds[min(n, len(kinds) - 1)](pieces[n], rng)
        return PART.join(pieces)

    return change


MUTATORS: dict[str, Mutator] = {
    **dict.fromkeys(("chunks_walk", "chunks_embedded", "master_plan", "frames", "sound_facts"), riff),
    **dict.fromkeys(("bag_profile", "block_digests", "record", "documents", "listing_s3"), jsontree),
    **dict.fromkeys(("bagit_txt", "coding_history", "checksums"), lines),
    **dict.fromkeys(("ssh_signers", "sheet_toml", "file_names"), lines),
    **dict.fromkeys(("bag_manifest", "bag_fetch", "bag_info", "bag_structure"), parted(lines)),
    **dict.fromkeys(("client_needs", "record_and_blocks"), parted(jsontree)),
    **dict.fromkeys(("ssh_signature", "ssh_key"), armour),
    "info": lambda data, rng: riff(bytes(8) + data, rng)[8:],
    "adtl": parted(bytewise, lambda data, rng: riff(bytes(8) + data, rng)[8:]),
    "archive_tar": tar, "archive_zip": zips, "ledger": parted(jsontree, ledger), "ledger_told": ledger,
    "bench_log": ledger, "bench_fold": ledger,
    "receipt": parted(jsontree, ledger), "metadata": parted(bytewise, bytewise, jsontree),
    "harvested_package": parted(lines, lines, lines, lines, jsontree), "sheet_csv": table,
    "sheet_job": parted(lines, table, table, lines, table),
}  # fmt: skip
"""What knows the form of a target's input; bytewise for all others."""


def mutated(name: str, data: bytes, rng: random.Random) -> bytes:
    """One to three changes."""
    change = MUTATORS.get(name, bytewise)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        data = change(data, rng)
    return data
