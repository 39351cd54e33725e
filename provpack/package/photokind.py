"""What kind of picture a file is, by its first bytes; its name and what the sender says count for nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

HEAD_BYTES: Final = 32
"""As many bytes from the front tell the kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoKind:
    """media_type; endings: file name endings it goes by, the usual one first. shown: browsers can show it."""

    media_type: str
    endings: tuple[str, ...]
    shown: bool = True


JPEG: Final = PhotoKind(media_type="image/jpeg", endings=(".jpg", ".jpeg", ".jpe"))
PNG: Final = PhotoKind(media_type="image/png", endings=(".png",))
WEBP: Final = PhotoKind(media_type="image/webp", endings=(".webp",))
AVIF: Final = PhotoKind(media_type="image/avif", endings=(".avif",))
HEIC: Final = PhotoKind(media_type="image/heic", endings=(".heic", ".heif"), shown=False)
TIFF: Final = PhotoKind(media_type="image/tiff", endings=(".tif", ".tiff"), shown=False)
KINDS: Final = (JPEG, PNG, WEBP, AVIF, HEIC, TIFF)

# ISO/IEC 23008-12 (HEIF) and the AVIF specification: major brands of a still picture; from memory.
_HEIF_BRANDS: Final = frozenset({b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1"})
_AVIF_BRANDS: Final = frozenset({b"avif"})


def photo_kind(head: bytes) -> PhotoKind | None:
    """The kind by at least HEAD_BYTES from the front of the file; None when it is no picture we take.

    Signatures: ISO/IEC 10918-1 annex B (JPEG: SOI, then a marker), ISO/IEC 15948 section 5.2 (PNG), TIFF 6.0
    section 2, the WebP container's RIFF header, ISO/IEC 14496-12 `ftyp` with the brands above; from memory.
    """
    if head.startswith(b"\xff\xd8\xff"):
        return JPEG
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return WEBP
    if head[4:8] == b"ftyp":
        if head[8:12] in _AVIF_BRANDS:
            return AVIF
        return HEIC if head[8:12] in _HEIF_BRANDS else None
    if head.startswith((b"II*\0", b"MM\0*")):
        return TIFF
    return None
