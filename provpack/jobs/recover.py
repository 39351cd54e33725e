"""The transfer record out of a master alone, for the day the package around it is lost."""

from __future__ import annotations

from provpack.chunks.embedded import read_embedded
from provpack.chunks.source import ByteSource
from provpack.chunks.walk import read_layout
from provpack.jobs.inspect import recover_record


def record_of(source: ByteSource, name: str = "") -> bytes | None:
    """UTF-8 JSON of the record embedded in a WAVE file; None when there is none."""
    layout = read_layout(source, name)
    return recover_record(read_embedded(source, layout)) if layout.form else None
