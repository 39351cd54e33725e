"""Kinds of pictures by their first bytes, held against exiftool (libimage-exiftool-perl), which judges
the same bytes. It tells HEIF in general (`image/heif`, and sequences) from HEIC; here both are one kind."""

from __future__ import annotations

import json
from pathlib import Path

from support.strangers import run

from provpack.package.photokind import HEAD_BYTES, KINDS, photo_kind


def container(brand: bytes) -> bytes:
    """ISO/IEC 14496-12: a `ftyp` box of that major brand."""
    return b"\0\0\0\x18ftyp" + brand + bytes(4) + b"mif1" + brand


JPEG, PNG = b"\xff\xd8\xff\xdb\0\x43", b"\x89PNG\r\n\x1a\n"
HEADS = {
    "jpeg": JPEG,
    "png": PNG,
    "webp": b"RIFF\x24\0\0\0WEBPVP8 ",
    "tiff": b"MM\0*\0\0\0\x08\0\0",
    **{brand: container(brand.encode()) for brand in ("heic", "heix", "mif1", "msf1", "avif")},
    "film": container(b"mp42"),
    "other film": container(b"qt  "),
    "sound": b"RIFF\x24\0\0\0WAVEfmt ",
    "page": b"<html><script>alert(1)</script></html>",
}
SAME = {"image/heif": "image/heic", "image/heif-sequence": "image/heic"}


def test_the_kinds_are_those_exiftool_sees(tmp_path: Path) -> None:
    for name, head in HEADS.items():
        (tmp_path / name).write_bytes(head + bytes(4 * HEAD_BYTES))
    seen = json.loads(run("exiftool", "-j", "-MIMEType", *(tmp_path / name for name in HEADS)))
    theirs = {Path(entry["SourceFile"]).name: entry.get("MIMEType", "") for entry in seen}
    assert theirs.keys() == HEADS.keys()
    met = set()
    for name, head in HEADS.items():
        kind = photo_kind((head + bytes(HEAD_BYTES))[:HEAD_BYTES])
        told = SAME.get(theirs[name], theirs[name])
        assert (kind.media_type if kind else None) == (told if told.startswith("image/") else None), name
        met.add(kind)
    assert met == {None, *KINDS}


def test_a_picture_that_is_cut_off_or_begins_elsewhere_is_none() -> None:
    assert photo_kind(b"II*\0\x08\0\0\0") is not None  # TIFF 6.0 section 2: the other byte order
    for head in (b"", JPEG[:2], PNG[:7], b"II*", b"RIFF\x24\0\0\0WEB", container(b"heic")[:11], b"\0" + PNG):
        assert photo_kind(head) is None


def test_only_what_browsers_show_is_said_to_be_shown() -> None:
    assert {kind.endings[0] for kind in KINDS if not kind.shown} == {".heic", ".tif"}
    endings = [ending for kind in KINDS for ending in kind.endings]
    assert len(endings) == len(set(endings))
