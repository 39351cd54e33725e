"""Photos that come in: whole and declared, or not at all."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest
from bench_server.asking import JPEG, PNG, Place, Said
from hypothesis import given
from hypothesis import strategies as st

from provpack.bench import uploads
from provpack.edge import benchphoto
from provpack.edge.benchphoto import STAGED, Arriving, sweep
from provpack.errors import EnvironmentProblem
from provpack.package.photokind import photo_kind


def send(
    place: Place,
    body: bytes | list[bytes | float] = JPEG,
    *,
    name: str | None = "Reel 1.JPG",
    to: str = "T01/condition_photos",
    kind: str = "image/jpeg",
    **more: Any,
) -> Said:
    headers = [*place.writing(kind), *([("x-name", name)] if name is not None else [])]
    return place.ask("POST", f"/photo/{to}", headers, body, **more)


def photos(place: Place) -> dict[str, bytes]:
    return {n: data for n, data in place.tree().items() if n.startswith("photos/")}


def test_a_photo_is_kept_named_and_declared(place: Place) -> None:
    said = send(place)
    assert said.status == 200, said.body
    assert photos(place) == {"photos/t01-1-reel_1.jpg": JPEG}
    (line,) = place.lines()
    assert (line["kind"], line["field"], line["id"]) == ("declared", "condition_photos", "T01")
    assert line["value"] == ["photos/t01-1-reel_1.jpg"]
    assert said.json()["n"] == 1
    (first, _) = place.bench.desk.job().transfers
    assert [p.relative for p in first.condition_photos] == ["photos/t01-1-reel_1.jpg"]
    shown = place.get("/photo/photos/t01-1-reel_1.jpg")
    assert (shown.body, shown.header("content-type")) == (JPEG, "image/jpeg")


def test_the_same_name_again_is_another_photo(place: Place) -> None:
    for _ in range(3):
        assert send(place).status == 200
    assert list(photos(place)) == [f"photos/t01-{n}-reel_1.jpg" for n in (1, 2, 3)]
    assert place.lines()[-1]["value"] == list(photos(place))


def test_what_is_there_is_never_replaced(place: Place) -> None:
    folder = place.folder / "photos"
    folder.mkdir()
    (folder / "t01-7-other.jpg").write_bytes(b"mine")
    (folder / "t01-8-reel_1.jpg").mkdir()
    assert send(place).status == 200
    assert (folder / "t01-7-other.jpg").read_bytes() == b"mine"
    assert (folder / "t01-9-reel_1.jpg").read_bytes() == JPEG


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("x.png", "x.jpg"),
        ("x.jpeg", "x.jpeg"),
        ("x", "x.jpg"),
        ("x.JPG.exe", "x.jpg.exe.jpg"),
        ("x.html", "x.html.jpg"),
        ("%C3%84%20b.jpg", "a_b.jpg"),
        ("a%2Fb%5Cc.jpg", "c.jpg"),
        (None, "photo.jpg"),
        ("..%2F..%2Fetc%2Fpasswd", "passwd.jpg"),
        (".jpg", "jpg.jpg"),
        ("con.jpg", "x_con.jpg"),
    ],
)
def test_names_are_made_safe_and_end_as_the_content_is(place: Place, name: str | None, kept: str) -> None:
    assert send(place, name=name).status == 200
    assert list(photos(place)) == [f"photos/t01-1-{kept}"]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\xff",
        b"\xff\xd8",
        b"<html><script>alert(1)</script>",
        b"<svg xmlns=",
        b"GIF89a" + bytes(50),
        b"MZ" + bytes(50),
        b"RIFF\x00\x00\x00\x00WAVE" + bytes(50),
        b"\0\0\0\x18ftypmp42" + bytes(50),
        bytes(100),
        b"%PDF-1.7" + bytes(50),
    ],
)
def test_what_is_no_photo(place: Place, body: bytes) -> None:
    said = send(place, body)
    assert (said.status, said.code) == (415, "bench-no-photo")
    assert photos(place) == {}
    assert place.lines() == []


@pytest.mark.parametrize("kind", ["text/html", "application/json", "", "multipart/form-data; boundary=x"])
def test_what_says_it_is_no_photo(place: Place, kind: str) -> None:
    assert send(place, kind=kind).status == 415
    assert photos(place) == {}


def test_where_photos_may_not_go(place: Place) -> None:
    for to in ("T01/title", "T01/file", "T01/documents", "T09/photos"):
        assert send(place, to=to).status == 404
    assert photos(place) == {}


def test_too_large(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("provpack.bench.handlers", "provpack.bench.uploads"):
        monkeypatch.setattr(f"{module}.PHOTO_LIMIT", 3_000_000)
    big = JPEG + bytes(3_000_000)
    for headers in ([], [("content-length", str(len(big)))], [("content-length", "9000000000")]):
        pieces = [big[n : n + 65536] for n in range(0, len(big), 65536)]
        said = place.ask("POST", "/photo/T01/photos", [*place.writing("image/jpeg"), *headers], pieces)
        assert (said.status, said.code) == (413, "bench-too-large")
    assert photos(place) == {}
    exact = JPEG + bytes(3_000_000 - len(JPEG))
    assert send(place, exact).status == 200


def test_a_sender_who_goes_away_leaves_nothing(place: Place) -> None:
    assert send(place, JPEG + bytes(3_000_000), then="gone").status == 400
    assert photos(place) == {}
    assert place.lines() == []


FAULTS = ["create", "write", "sync", "link", "sync_folder"]


@pytest.mark.parametrize("fault", FAULTS)
def test_a_full_disk_leaves_nothing_half(place: Place, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    (place.folder / "photos").mkdir()

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    def full_told(*_: object) -> None:
        raise EnvironmentProblem("disk-full", "The disk or quota is full.", where="photos", todo="Free some.")

    if fault == "write":
        monkeypatch.setattr("provpack.edge.commit._FileWriter.write", full_told)
    elif fault == "sync":
        monkeypatch.setattr("provpack.edge.commit._FileWriter.sync", full_told)
    elif fault == "link":
        monkeypatch.setattr(os, "link", full)
    else:
        monkeypatch.setattr(f"provpack.edge.commit.RealDisk.{fault}", full_told)
    said = send(place, JPEG + bytes(3_000_000))
    assert (said.status, said.code) == (503, "disk-full")
    assert "space" in said.json()["todo"]
    monkeypatch.undo()
    assert photos(place) == {}
    assert place.lines() == []


def test_a_photo_that_cannot_be_declared_is_not_kept(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise EnvironmentProblem("disk-full", "The disk is full.", where="bench-log.jsonl", todo="Free some.")

    monkeypatch.setattr(place.bench.desk, "act", full)
    assert send(place).status == 503
    assert photos(place) == {}


def test_without_second_names_the_photo_is_kept_all_the_same(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT and exFAT have no hard links."""

    def none(*_: object, **__: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", none)
    for _ in range(2):
        assert send(place).status == 200
    assert photos(place) == {f"photos/t01-{n}-reel_1.jpg": JPEG for n in (1, 2)}


def test_somebody_declares_another_photo_at_the_same_moment(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk, seen = place.bench.desk, []

    def in_force(scope: str, id_: str | None, field: str) -> Any:
        value = real(scope, id_, field)
        if not seen:  # between the look and the line, as another window would
            seen.append(True)
            (place.folder / "other.jpg").write_bytes(JPEG)
            members = {"scope": "transfer", "id": "T01", "field": field, "value": ["other.jpg"], "was": value}
            desk.act("declared", members, by=None, through="command_line")
        return value

    real = desk.in_force
    monkeypatch.setattr(desk, "in_force", in_force)
    assert send(place).status == 200
    assert place.lines()[-1]["value"] == ["other.jpg", "photos/t01-1-reel_1.jpg"]


def test_only_photos_the_job_names_are_shown(place: Place) -> None:
    (place.folder / "photos").mkdir()
    (place.folder / "photos" / "private.jpg").write_bytes(JPEG)
    for name in ("photos/private.jpg", "job.toml", "T01.wav", "bench-log.jsonl"):
        assert place.get(f"/photo/{name}").status == 404


def test_a_named_file_that_is_no_picture_is_not_shown(place: Place) -> None:
    page = place.folder / "page.jpg"
    page.write_bytes(b"<html><script>alert(1)</script></html>" + bytes(50))
    said = place.act("declared", scope="transfer", id="T01", field="photos", value=["page.jpg"], was=None)
    assert said.status == 200, said.body
    assert place.get("/photo/page.jpg").status == 404
    page.write_bytes(PNG)
    assert place.get("/photo/page.jpg").header("content-type") == "image/png"


def test_what_a_crash_left_is_taken_away_later(tmp_path: Path) -> None:
    Arriving(tmp_path).write(b"half a photo")
    folder = tmp_path / "photos"
    (left,) = folder.iterdir()
    assert left.name.startswith(STAGED)
    keep = [folder / f"{STAGED}notours.jpg", folder / "t01-1-a.jpg"]
    for path in keep:
        path.write_bytes(b"x")
    sweep(tmp_path)
    assert left.exists()
    for path in (left, *keep):
        os.utime(path, (1, 1))
    sweep(tmp_path)
    assert sorted(folder.iterdir()) == sorted(keep)
    sweep(tmp_path / "nowhere")


@given(st.binary(max_size=64))
def test_any_bytes_are_some_kind_or_none(head: bytes) -> None:
    kind = photo_kind(head)
    assert kind is None or uploads.photo_name("x.exe", kind).endswith(kind.endings[0])


def test_the_kept_name_is_free_in_a_crowded_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another server takes the name between the look and the naming."""
    arriving = Arriving(tmp_path)
    arriving.write(JPEG)
    real = os.link

    def racing(source: Path, target: Path, **how: Any) -> None:
        if not Path(target).exists() and "-1-" in Path(target).name:
            Path(target).write_bytes(b"theirs")
        real(source, target, **how)

    monkeypatch.setattr(benchphoto.os, "link", racing)
    assert arriving.keep("t", "a.jpg") == "photos/t-2-a.jpg"
    assert (tmp_path / "photos/t-1-a.jpg").read_bytes() == b"theirs"
