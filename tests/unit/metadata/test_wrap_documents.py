"""Which metadata documents a package gets, and that a wrong one never gets sealed."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.jobs import make_job, wrap

from provpack.jobs import wrapmeta
from provpack.package import layout
from provpack.package.premis_check import RULES


def test_every_package_with_audio_has_all_four(tmp_path: Path) -> None:
    (unit,) = wrap(make_job(tmp_path / "job", frames=4000), tmp_path / "out").units
    written = [path for path, _ in unit.files]
    for path in (layout.PREMIS, layout.METS, layout.AUDIO_OBJECT, layout.DUBLIN_CORE):
        assert written.count(path) == 1


def test_a_wrong_document_of_our_own_is_not_sealed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def judged(data: bytes, *, where: str) -> list[object]:
        return [RULES[0].found("no event has this type", where)]

    monkeypatch.setattr(wrapmeta, "check_premis", judged)
    (unit,) = wrap(make_job(tmp_path / "job", frames=4000), tmp_path / "out").units
    assert unit.outcome == "failed" and unit.problem is not None and unit.problem.code == "premis-wrong"
    assert list((tmp_path / "out").iterdir()) == []
