"""No address leads out of the job folder, however it is written."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

import pytest
from bench_server.asking import JPEG, Place

from provpack.bench.paths import matched, parts_of_path

CLIMBS = [
    "..",
    "../../etc/passwd",
    "..%2f..%2fetc%2fpasswd",
    "%2e%2e/%2e%2e/etc/passwd",
    "%2e%2e%2f%2e%2e%2fetc%2fpasswd",
    "%252e%252e%252fetc%252fpasswd",
    "..\\..\\etc\\passwd",
    "..%5c..%5cetc%5cpasswd",
    "T01%00.jpg",
    "%00",
    "/etc/passwd",
    "//etc/passwd",
    "%2fetc%2fpasswd",
    "file:///etc/passwd",
    "C:\\Windows\\win.ini",
    "~root",
    "T01/../../etc/passwd",
    ".%2e/etc/passwd",
    "%c0%ae%c0%ae/etc/passwd",
    "%ff",
    "%",
    "%zz",
    "T01%0d%0aX: y",
    "%e2%80%a8",
    "a" * 5000,
    "a/" * 100,
    "job.toml",
    "bench-log.jsonl",
    "photos/../job.toml",
    "./job.toml",
    "photos/.hidden.jpg",
    ".provpack-bench/x",
    "T01.wav",
    "CON",
    "photos//a.jpg",
    "photos/%2e/a.jpg",
]
READING = ["/carrier/{}", "/after/{}/1", "/after/T01/{}", "/photo/{}", "/static/{}", "/receipt?ids={}", "/{}",
           "/machines/chain/{}", "/machines/equipment/{}", "/machines/{}/A"]  # fmt: skip
WRITING = [
    "/photo/{}/photos",
    "/photo/T01/{}",
    "/work/measure/{}/1",
    "/work/measure/T01/{}",
    "/work/stop/{}",
    "/phone/{}/photos",
]


@pytest.mark.parametrize("climb", CLIMBS)
def test_no_way_out_by_reading(place: Place, climb: str) -> None:
    for pattern in READING:
        said = place.get(pattern.format(climb))
        assert said.status in (404, 414), (pattern, said.status)
        assert b"root:" not in said.body
        assert b"JOB-1" not in said.body


@pytest.mark.parametrize("climb", CLIMBS)
def test_no_way_out_by_writing(place: Place, climb: str) -> None:
    before = place.tree()
    for pattern in WRITING:
        said = place.ask("POST", pattern.format(climb), place.writing("image/jpeg"), JPEG)
        assert said.status in (404, 405, 414, 415), (pattern, said.status)
    assert place.tree() == before
    assert not (place.folder / "photos").exists()
    assert place.works.begun == []


@pytest.mark.parametrize("name", [*CLIMBS, "..%2f", "T01\r\nX-Y: z"])
def test_the_name_of_a_photo_leads_nowhere(place: Place, name: str) -> None:
    before = set(place.tree())
    outside = {p.name for p in place.folder.parent.iterdir()}
    headers = [*place.writing("image/jpeg"), ("x-name", name)]
    said = place.ask("POST", "/photo/T01/photos", headers, JPEG)
    assert said.status in (200, 400), said.body
    new = set(place.tree()) - before - {"bench-log.jsonl"}
    assert {Path(n).parent.as_posix() for n in new} <= {"photos"}
    assert len(new) == (1 if said.status == 200 else 0)
    assert {p.name for p in place.folder.parent.iterdir()} == outside


def test_addresses_are_decoded_once() -> None:
    assert parts_of_path(b"/") == ()
    assert parts_of_path(b"/carrier/A%2F1") == ("carrier", "A/1")
    assert parts_of_path(b"/carrier/%252e%252e") == ("carrier", "%2e%2e")
    assert parts_of_path(b"/carrier/%C3%84") == ("carrier", "Ä")
    for none in (
        b"",
        b"*",
        b"x",
        b"//",
        b"/a/",
        b"/a//b",
        b"/.",
        b"/a/..",
        b"/%2e%2E",
        b"/%00",
        b"/%ff",
        b"http://x/",
    ):
        assert parts_of_path(none) is None, none


def test_patterns() -> None:
    assert matched(("carrier", "{}"), ("carrier", "x")) == ("x",)
    assert matched(("carrier", "{}"), ("carrier",)) is None
    assert matched(("photo", "{*}"), ("photo", "a", "b")) == ("a/b",)
    assert matched(("photo", "{*}"), ("photo",)) is None
    assert matched((), ()) == ()


def test_a_transfer_may_have_a_slash_in_its_name(place: Place) -> None:
    assert place.act("taken_in", transfer_id="A/1 ü").status == 200
    said = place.ask("POST", f"/photo/{quote('A/1 ü', safe='')}/photos", place.writing("image/jpeg"), JPEG)
    assert said.status == 200, said.body
    assert [n for n in place.tree() if n.startswith("photos/")] == ["photos/a_1_u-1-photo.jpg"]


def test_a_link_is_not_followed(place: Place, tmp_path: Path) -> None:
    secret = tmp_path / "secret.jpg"
    secret.write_bytes(JPEG)
    (place.folder / "photos").mkdir()
    (place.folder / "photos" / "a.jpg").symlink_to(secret)
    said = place.act("declared", scope="transfer", id="T01", field="photos", value=["photos/a.jpg"], was=None)
    assert said.status in (200, 422)
    assert place.get("/photo/photos/a.jpg").status == 404


def test_a_link_put_in_a_photos_place_later_is_not_followed(place: Place, tmp_path: Path) -> None:
    assert place.ask("POST", "/photo/T01/photos", place.writing("image/jpeg"), JPEG).status == 200
    name = next(n for n in place.tree() if n.startswith("photos/"))
    assert place.get(f"/photo/{name}").body == JPEG
    (place.folder / name).unlink()
    (tmp_path / "secret.jpg").write_bytes(JPEG)
    (place.folder / name).symlink_to(tmp_path / "secret.jpg")
    assert place.get(f"/photo/{name}").status == 404


def test_photos_folder_that_is_a_link_is_not_written_to(place: Place, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (place.folder / "photos").symlink_to(elsewhere)
    said = place.ask("POST", "/photo/T01/photos", place.writing("image/jpeg"), JPEG)
    assert (said.status, said.code) == (422, "bench-photo-folder")
    assert list(elsewhere.iterdir()) == []
    assert place.lines() == []
