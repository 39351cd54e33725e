"""Where everything lies in a package (design: one package per transfer)."""

from __future__ import annotations

RECORD = "data/metadata/record.json"
MEASUREMENTS = "data/metadata/measurements.json"
BLOCK_DIGESTS = "data/metadata/block-digests.json"
PREMIS = "data/metadata/premis.xml"
METS = "data/metadata/mets.xml"
AUDIO_OBJECT = "data/metadata/audio-object.xml"
DUBLIN_CORE = "data/metadata/dublin-core.xml"
REPORT = "data/report/index.html"
READ_FIRST = "READ-ME-FIRST.txt"
MASTER_FOLDER = "data/master"
PASSES_FOLDER = "data/passes"
DOCUMENTS_FOLDER = "data/documents"
# Bytes of the received file before and after its audio payload: with the payload of the master between
# them, the received file can be rebuilt bit for bit.
RECEIVED_HEAD = "data/documents/received-head.bin"
RECEIVED_TAIL = "data/documents/received-tail.bin"

MEDIA_TYPES = {
    ".wav": "audio/vnd.wave",  # RFC 2361
    ".rf64": "audio/vnd.wave",
    ".flac": "audio/flac",  # RFC 9639
    ".json": "application/json",
    ".xml": "application/xml",
    ".html": "text/html",
    ".txt": "text/plain",
    ".log": "text/plain",
    ".csv": "text/csv",
    ".toml": "application/toml",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".tif": "image/tiff",
    ".tiff": "image/tiff",
}


def media_type(name: str) -> str:
    """The media type by extension; application/octet-stream when we do not know."""
    dot = name.rfind(".")
    return MEDIA_TYPES.get(name[dot:].lower() if dot >= 0 else "", "application/octet-stream")
