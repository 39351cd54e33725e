"""At depth meaning the catalogue data are judged too: told as warnings, never a reason to call it bad."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

from support.jobs import make_job, wrap

from provpack.edge.schemas import validate
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify import verify_paths
from provpack.package import layout


def checked(package: Path) -> UnitResult:
    def clock() -> datetime:
        return datetime(2026, 7, 1, tzinfo=UTC)

    return verify_paths(
        [package], "meaning", progress=Silent(), clock=clock,
        validate=lambda name, value: [(v.pointer, v.message) for v in validate(name, value)],
        recover=lambda source: record_of(source, ""),
    ).units[0]  # fmt: skip


def resealed(package: Path, path: str, old: bytes, new: bytes) -> None:
    """Change a file and make every manifest right again, as whoever means to would."""
    data = (package / path).read_bytes()
    assert old in data
    (package / path).write_bytes(data.replace(old, new))
    for kind in ("manifest", "tagmanifest"):
        for name in ("sha256", "sha512"):
            manifest = package / f"{kind}-{name}.txt"
            lines = []
            for line in manifest.read_text().splitlines():
                where = line.split("  ", 1)[1]
                digest = hashlib.new(name, (package / where).read_bytes()).hexdigest()
                lines.append(f"{digest}  {where}\n")
            manifest.write_text("".join(lines))


def test_clean_metadata_draw_nothing_and_a_changed_digest_is_told(tmp_path: Path) -> None:
    (unit,) = wrap(make_job(tmp_path / "job"), tmp_path / "out").units
    package = tmp_path / "out" / unit.package_name
    assert not [f for f in checked(package).findings if f.rule.startswith(("meta-", "premis-"))]
    master = hashlib.sha512((package / f"data/master/{unit.package_name}.wav").read_bytes()).hexdigest()
    resealed(package, layout.PREMIS, master.encode(), b"0" * 128)
    result = checked(package)
    told = [f for f in result.findings if f.rule == "meta-digest-differs"]
    assert [f.severity for f in told] == ["warning"]
    assert result.outcome == "good"


def test_another_rate_in_the_audio_object_is_told(tmp_path: Path) -> None:
    (unit,) = wrap(make_job(tmp_path / "job"), tmp_path / "out").units
    package = tmp_path / "out" / unit.package_name
    resealed(package, layout.AUDIO_OBJECT, b'editRate="44100"', b'editRate="48000"')
    told = {f.rule: f.severity for f in checked(package).findings}
    assert told["meta-audio-object-disagrees"] == "warning"
