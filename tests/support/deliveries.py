"""Invented deliveries: notes in the shape of delivery-note.json with any number of packages."""

from __future__ import annotations

import hashlib
from typing import Any

from provpack.package.summary import summarise

Json = dict[str, Any]
TITLES = (
    "Wind quintet, side recording of the spring concert",
    "Nocturne für zwei Flöten und Harfe (rehearsal)",
    "[Untitled cassette, found in the cupboard of the vestry together with the harbour songs and two reels]",
    "Quay market and harbour bell",
)
OUTCOMES = ("complete", "clean", "complete", "partial", "complete", "no_pcm_found", "stopped_for_safety")
EMPHASES = ("present", "absent", "mixed", "unknown", "removed")


def digest(*words: object) -> str:
    return hashlib.sha512(repr(words).encode()).hexdigest()


def entry(n: int, form: str = "folder") -> Json:
    name = f"gtr-2031-07_t{n:02}"
    outcome = OUTCOMES[n % len(OUTCOMES)]
    sound = outcome != "no_pcm_found"
    archive = form != "folder"
    return {
        "n": n,
        "name": name,
        "path": f"packages/{name}" + (f".{form}" if archive else ""),
        "bytes": 1_905_120_000 + 7 * n,
        "files": 14,
        "sha512": digest("archive", n) if archive else None,
        "tagmanifest_sha512": digest("manifest", n),
        "record_id": f"3f6c2a10-7d41-4f0e-9c55-1b2a90e4{n:04}",
        "job_id": "GTR-2031-07",
        "transfer_id": f"T{n:02}",
        "client_item_id": f"ACA-{400 + n:04}",
        "carrier_id": f"B-{n:05}" if n % 3 else None,
        "title": TITLES[n % len(TITLES)],
        "outcome": outcome,
        "duration_s": 3600.0 + 61 * n if sound else None,
        "emphasis": EMPHASES[n % len(EMPHASES)] if sound else None,
        "rate": {"num": 44100000, "den": 1001} if sound else None,
        "signature": {
            "state": "valid" if n % 9 else "expired",
            "principal": "studio@grauwell.example",
            "fingerprint": "SHA256:4bZkV0mXq7c8Wc1nU3yqkqT7n9h2bq3JmYx0oQ5tYkE",
        },
        "findings": {"error": 0, "warning": n % 3, "note": 2},
        "report": f"reports/{name}.html" if archive else f"packages/{name}/data/report/index.html",
        "remarks": ["The box was another tape's; see the record."] if n % 11 == 0 else [],
    }


def note(many: int, form: str = "folder") -> Json:
    packages = [entry(n, form) for n in range(1, many + 1)]
    return {
        "schema_version": "1.0.0",
        "delivery_id": "0c9b4ad7-3a86-4d2b-8f60-5a0f0c1f8f11",
        "delivery_name": "ambersund-2031-07",
        "made_by": {"tool": "provpack", "version": "0.1.0", "at": "2031-07-14T15:20:00+02:00"},
        "from": {"organisation": "Grauwell Transfer Room, Marrowick", "contact": "studio@grauwell.example"},
        "to": {"client": "Ambersund Chamber Archive"},
        "form": form,
        "client_profile": {
            "name": "Ambersund 2031",
            "bagit_profile_identifier": "https://archive.ambersund.example/profiles/audio-1.json",
        },
        "packages": packages,
        "papers": [
            {"path": name, "bytes": 9000 + len(name), "sha512": digest("paper", name)}
            for name in ("READ-ME-FIRST.txt", "delivery-note.html", "index.html")
        ],
        "totals": {
            "packages": many,
            "bytes": sum(p["bytes"] for p in packages),
            "files": sum(p["files"] for p in packages),
            "duration_s": sum(p["duration_s"] or 0 for p in packages),
        },
        "ledger": {"entries": 412, "last_sha512": digest("ledger")},
        "signer": {
            "principal": "studio@grauwell.example",
            "fingerprint": "SHA256:4bZkV0mXq7c8Wc1nU3yqkqT7n9h2bq3JmYx0oQ5tYkE",
            "public_key": "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIInvented studio",
        },
        "note": "Second part of the order; the rest follows in August.",
    }


def packages(delivery: Json, record: Json) -> list[Json]:
    """What render_index is given beside the note; every third package is one without anything to tell."""
    said = summarise(record, {"error": 0, "warning": 1, "note": 0})
    quiet: dict[str, list[str]] = {"summary": said["summary"][:2], "listen": [], "cautions": []}
    return [{"entry": e, **(said if n % 3 == 0 else quiet)} for n, e in enumerate(delivery["packages"])]
