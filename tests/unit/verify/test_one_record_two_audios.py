"""Domain rule 25 over a run: one record_id stands for one audio, whatever each package says of itself."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from support.bagmaking import now, seal

from provpack.jobs.progress import Silent
from provpack.jobs.verify import verify_paths


def package(root: Path, record_id: str, audio: str | None) -> Path:
    """A sealed package with nothing in it but a record; without files of audio nothing is held against it."""
    (root / "data/metadata").mkdir(parents=True)
    record = {
        "schema_version": "1.3.0",
        "record_id": record_id,
        "transfer_id": "T01",
        "audio_sha256": audio,
        "files": [{"role": "master"}],
    }
    (root / "data/metadata/record.json").write_text(json.dumps(record))
    seal(root)
    return root


@pytest.mark.parametrize(
    ("records", "said"),
    [
        ([("r-1", None), ("r-1", None)], 0),  # copies
        ([("r-1", None), ("r-2", None)], 0),
        ([("r-1", None), ("r-1", "ab" * 32)], 1),
    ],
)
def test_a_run_tells_it(records: list[tuple[str, str | None]], said: int, tmp_path: Path) -> None:
    for n, (name, audio) in enumerate(records):
        package(tmp_path / f"p{n}", name, audio)
    result = verify_paths([tmp_path], "meaning", progress=Silent(), clock=now)
    found = [f for f in result.findings if f.rule == "rec-audio-changed"]
    assert len(found) == said, result.as_json()
