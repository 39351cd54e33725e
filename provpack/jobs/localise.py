"""Find which blocks of a damaged master's audio are damaged, by a second read.

Also when the file became longer or shorter: the audio is then looked for where the chunks say it is, where it
used to be, and moved by the change of length; blocks that moved with a cut or insertion are recognised.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable

from provpack.chunks.source import ByteSource
from provpack.chunks.walk import read_layout
from provpack.findings import Finding
from provpack.package import rules
from provpack.package.bagblocks import BlockDigests, Damage, Extent, ranges
from provpack.package.figures import counted

_PIECE = 1024 * 1024


def sha256_of(source: ByteSource, offset: int, length: int, told: Callable[[int], None]) -> str | None:
    """SHA-256 of a range, None when the file ends before it does. Raises OSError."""
    if offset < 0 or offset + length > source.size:
        return None
    digest = hashlib.sha256()
    left = length
    while left > 0:
        piece = source.read_at(offset, min(_PIECE, left))
        if not piece:
            return None
        digest.update(piece)
        told(len(piece))
        offset += len(piece)
        left -= len(piece)
    return digest.hexdigest()


def localise(
    source: ByteSource, digests: BlockDigests, path: str, told: Callable[[int], None] = lambda _amount: None
) -> Damage:
    """Compare the file with its block digests. path is how the result names it. Raises OSError."""
    change = source.size - digests.file_bytes
    offset = _audio_start(source, digests, change, told)
    if offset is None:
        return Damage(
            path=path, extent="unknown", blocks=len(digests.blocks), size_change=change,
            frames=digests.frames, rate=digests.rate,
        )  # fmt: skip
    bad = [n for n in range(len(digests.blocks)) if not _matches(source, digests, n, offset, told)]
    shifted = [n for n in bad if change and _matches(source, digests, n, offset + change, told)]
    shift_inside = change if shifted and len(bad) < len(digests.blocks) else 0
    if shifted and not shift_inside:
        # Every block moved alike: the audio as a whole stands elsewhere, which is no damage to it.
        offset, bad, shifted = offset + change, sorted(set(bad) - set(shifted)), []
    damaged = sorted(set(bad) - set(shifted))
    head = sha256_of(source, 0, offset, told) != digests.head_sha256
    end = offset + digests.audio_bytes + shift_inside
    tail = sha256_of(source, end, max(source.size - end, 0), told) != digests.tail_sha256
    extent: Extent = "around"
    if damaged or shift_inside:
        extent = "length" if change else "audio"
    gone = digests.audio_bytes - max(min(source.size - offset, digests.audio_bytes), 0)
    return Damage(
        path=path,
        extent=extent,
        ranges=ranges(digests, damaged),
        bad_blocks=len(damaged),
        blocks=len(digests.blocks),
        head_changed=head,
        tail_changed=tail,
        size_change=change,
        lost_frames=-(-gone // digests.frame_bytes) if not shift_inside else 0,
        shifted_bytes=shift_inside,
        frames=digests.frames,
        rate=digests.rate,
    )


def _matches(
    source: ByteSource, digests: BlockDigests, block: int, audio: int, told: Callable[[int], None]
) -> bool:
    start, length = digests.span(block)
    return sha256_of(source, audio + start, length, told) == digests.blocks[block]


def _audio_start(
    source: ByteSource, digests: BlockDigests, change: int, told: Callable[[int], None]
) -> int | None:
    """Where the audio begins now: the candidate under which most of a few sampled blocks match.

    None when nothing matches anywhere and the file's length changed; with the length unchanged the noted
    offset holds, for nothing can have moved without being overwritten.
    """
    count = len(digests.blocks)
    if not change or not count:
        return digests.audio_offset
    candidates = [digests.audio_offset, digests.audio_offset + change]
    data = read_layout(source).data
    if data is not None:
        candidates.insert(0, data.offset)
    sample = sorted({0, 1, count // 4, count // 2, 3 * count // 4, count - 1} & set(range(count)))
    scores = {
        start: sum(_matches(source, digests, n, start, told) for n in sample)
        for start in dict.fromkeys(candidates)
        if start >= 0
    }
    best = max(scores, key=lambda start: scores[start], default=None)
    if best is None or not scores[best]:
        return data.offset if data is not None else None
    # Prefer the start that explains the first block: what follows may have moved.
    first = next((s for s in scores if _matches(source, digests, 0, s, told)), None)
    return first if first is not None else best


def damage_findings(damage: Damage, digests: BlockDigests) -> tuple[Finding, ...]:
    """The damage in words."""
    place = {"path": damage.path}
    size = ""
    if damage.size_change:
        word = "longer" if damage.size_change > 0 else "shorter"
        size = f" The file is {counted(abs(damage.size_change), 'byte')} {word} than when it was packaged."
    if damage.extent == "unknown":
        what = f"No block of the audio was found again in {damage.path!r}.{size}"
        return (rules.AUDIO_NOT_LOCATED.found(what, damage.path, position=place),)
    if damage.nothing:
        what = (
            f"{damage.path!r}: every byte is as it was packaged; a manifest that disagrees is damaged itself."
        )
        return (rules.MASTER_UNCHANGED.found(what, damage.path, position=place),)
    if damage.audio_intact:
        parts = [n for n, on in (("header", damage.head_changed), ("tail", damage.tail_changed)) if on]
        where = f" ({' and '.join(parts)} bytes)" if parts else ""
        what = (
            f"{damage.path!r}: audio intact, only metadata changed{where}; "
            f"all {damage.blocks} blocks of the audio match.{size}"
        )
        return (rules.AUDIO_INTACT.found(what, damage.path, position=place),)
    found = []
    for one in damage.ranges:
        found.append(
            rules.AUDIO_DAMAGED.found(
                f"{damage.path!r}: damaged audio in {one.sentence()}; "
                f"{damage.blocks - damage.bad_blocks} of {damage.blocks} blocks are good.{size}",
                damage.path,
                position={**place, "block": one.first_block, "frame": one.first_frame},
            )
        )
    if damage.lost_frames:
        what = f"{damage.path!r}: the last {damage.lost_frames} of {digests.frames} frames are gone.{size}"
        found.append(rules.AUDIO_DAMAGED.found(what, damage.path, position=place))
    if damage.shifted_bytes:
        more, further = ("inserted", "further on") if damage.shifted_bytes > 0 else ("removed", "earlier")
        what = (
            f"{damage.path!r}: within the audio {counted(abs(damage.shifted_bytes), 'byte')} {more}; "
            f"the blocks after that place match when read so many bytes {further}."
        )
        found.append(rules.AUDIO_DAMAGED.found(what, damage.path, position=place))
    return tuple(found)
