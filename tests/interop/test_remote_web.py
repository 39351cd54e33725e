"""Packages on web servers: Python's own http.server in its own process, and one that misbehaves on demand.

HTTP: RFC 9110 (ranges section 14, redirects section 15.4), as Python's http package and aiohttp implement it.
"""

from __future__ import annotations

import os
import threading
import zipfile
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote, unquote

import pytest
from support.bagmaking import seal
from support.remoteserver import Told, scripted, web_server

from provpack.edge import clock, remote, remotehttp
from provpack.edge.remotefile import BLOCK
from provpack.jobs.progress import Silent
from provpack.jobs.verified import Depth, VerifyResult
from provpack.jobs.verify import verify_paths

SAMPLE = Path(__file__).resolve().parents[1] / "samples" / "old-13_k01.zip"


@pytest.fixture(autouse=True)
def fresh(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remote, "_stores", {})


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    root = tmp_path / "shelf" / "tape 7"
    (root / "data" / "sub & more").mkdir(parents=True)
    (root / "data" / "große spule.bin").write_bytes(os.urandom(2 * BLOCK + 77))
    (root / "data" / "sub & more" / "100%25.txt").write_bytes(b"beta")
    (root / "data" / "empty").write_bytes(b"")
    seal(root)
    return root


def verified(where: Path | str, depth: Depth = "bytes") -> VerifyResult:
    return verify_paths([where], depth, progress=Silent(), clock=clock.now)


def told(result: VerifyResult) -> list[dict[str, object]]:
    """Everything about the units but where they lie and when they were checked."""
    apart = {"path", "path_base64", "started_at", "finished_at"}
    return [{k: v for k, v in unit.as_json().items() if k not in apart} for unit in result.units]


def rules(result: VerifyResult) -> set[str]:
    return {f.rule for unit in result.units for f in unit.findings if f.severity != "note"}


def shelf(folder: Path, *, ranges: bool = True, size: bool = True) -> Callable[[Told], None]:
    """A proper web server over a folder, with ranges (RFC 9110 section 14) unless told otherwise."""

    def answer(request: Told) -> None:
        path = folder / unquote(request.path.partition("?")[0]).strip("/")
        if path.is_dir():
            items = (f'<a href="{quote(p.name)}{"/" if p.is_dir() else ""}">x</a>' for p in path.iterdir())
            request.send(200, "".join(items).encode(), Content_Type="text/html; charset=utf-8")
            return
        if not path.is_file():
            request.send(404)
            return
        data = path.read_bytes()
        asked = request.headers.get("Range", "")
        if asked and ranges:
            first, last = asked.removeprefix("bytes=").split("-")
            piece = data[int(first) : int(last) + 1]
            request.send(206, piece, Content_Range=f"bytes {first}-{last}/{len(data)}", ETag='"1"')
        else:
            request.send(200, data, ETag='"1"')

    return answer


def test_a_folder_served_by_python_is_told_as_on_disk(bag: Path, tmp_path: Path) -> None:
    with web_server(bag.parent, tmp_path / "log.txt") as server:
        depths: tuple[Depth, ...] = ("listed", "bytes", "meaning")
        for depth in depths:
            there = verified(f"{server.url}/tape%207/", depth)
            assert told(there) == told(verified(bag, depth)) and there.outcome == "good"
        assert verified(f"{server.url}/tape 7").outcome == "good"  # as people type it
        assert {method for method, _, _ in server.requests()} == {"GET", "HEAD"}
        found = verified(server.url)
        assert [u.name for u in found.units] == ["tape 7"] and found.units[0].outcome == "good"
        big = bag / "data" / "große spule.bin"
        data = bytearray(big.read_bytes())
        data[-1] ^= 1
        big.write_bytes(data)
        (bag / "data" / "empty").unlink()
        damaged = verified(f"{server.url}/tape%207")
        assert told(damaged) == told(verified(bag))
        assert {"bag-digest-mismatch", "bag-file-missing"} <= rules(damaged)
        assert verified(f"{server.url}/nothing").outcome == "missing"


def test_with_ranges_and_without_the_bytes_are_the_same(bag: Path) -> None:
    for ranges in (True, False):
        with scripted(shelf(bag.parent, ranges=ranges)) as server:
            assert told(verified(f"{server.url}/tape 7")) == told(verified(bag))
            assert {method for method, _ in server.seen} == {"GET", "HEAD"}
            place = remote.RemotePlace(f"{server.url}/tape 7")
            whole = (bag / "data" / "große spule.bin").read_bytes()
            with place.open("data/große spule.bin") as file:
                for offset in (BLOCK + 3, 0, 2 * BLOCK, 2 * BLOCK + 70, 2 * BLOCK + 77, -1):
                    expected = whole[offset : offset + 100] if offset >= 0 else b""
                    assert file.read_at(offset, 100) == expected


def test_a_package_of_ours_whose_page_hides_its_folder(tmp_path: Path) -> None:
    """http.server, as most, shows an index.html instead of the folder that holds it."""
    with zipfile.ZipFile(SAMPLE) as archive:
        archive.extractall(tmp_path / "shelf")
    package = tmp_path / "shelf" / SAMPLE.stem
    with web_server(package.parent, tmp_path / "log.txt") as server:
        here, there = verified(package), verified(server.url)
        assert there.outcome == "good" and rules(there) == {"bag-not-checked"}
        (warning,) = [f for f in there.units[0].findings if f.rule == "bag-not-checked"]
        assert warning.severity == "warning" and "data/report" in warning.what
        assert told(there)[0] | {"findings": []} == told(here)[0] | {"findings": []}
        page = package / "data" / "report" / "index.html"
        whole = page.read_bytes()
        page.write_bytes(whole.replace(b"a", b"b", 1))
        assert "bag-digest-mismatch" in rules(verified(server.url))
        page.unlink()
        assert "bag-file-missing" in rules(verified(server.url))


@pytest.mark.parametrize("status", [403, 404])
def test_a_server_that_lists_nothing(bag: Path, status: int) -> None:
    """Every file that the manifests name is asked for; what else lies there is said not to be seen."""
    proper = shelf(bag.parent)

    def answer(request: Told) -> None:
        if (bag.parent / unquote(request.path).strip("/")).is_dir():
            request.send(status)
        else:
            proper(request)

    with scripted(answer) as server:
        result = verified(f"{server.url}/tape 7")
        assert result.outcome == "good" and rules(result) == {"bag-not-checked"}
        (bag / "data" / "empty").unlink()
        assert "bag-file-missing" in rules(verified(f"{server.url}/tape 7"))
        nothing = verified(server.url)
        assert nothing.outcome == ("missing" if status == 404 else "could_not_check")


def test_a_query_is_a_secret(bag: Path) -> None:
    with scripted(shelf(bag.parent)) as server:
        host = server.url.removeprefix("http://")
        result = verified(f"http://reader:pass-word@{host}/tape 7")
        assert result.outcome == "good" and "pass-word" not in str(result.as_json())
        signed = verified(f"{server.url}/tape 7/bagit.txt?sig=se-cret")
        assert rules(signed) == {"bag-not-a-folder"} and "se-cret" not in str(signed.as_json())


@pytest.mark.parametrize(
    ("status", "said"), [(503, "HTTP status 503"), (500, "HTTP status 500"), (403, "access was refused")]
)
@pytest.mark.parametrize("where", ["list", "file"])
def test_a_fault_of_the_server_is_no_verdict(bag: Path, status: int, said: str, where: str) -> None:
    proper = shelf(bag.parent)

    def answer(request: Told) -> None:
        if where == "list" or (request.path.endswith("empty") is False and "gro" in request.path):
            request.send(status, b"sorry")
        else:
            proper(request)

    with scripted(answer) as server:
        result = verified(f"{server.url}/tape 7")
        assert result.outcome == "could_not_check" and rules(result) == {"bag-unreadable"}
        assert any(said in f.what for f in result.units[0].findings)


def test_a_fault_in_the_middle_of_a_file(bag: Path) -> None:
    """The answer ends before the length it announced (RFC 9112 section 8)."""
    proper = shelf(bag.parent)

    def answer(request: Told) -> None:
        if request.command == "GET" and "gro" in request.path and "bytes=0-" not in request.headers["Range"]:
            request.send_response(206)
            request.send_header("Content-Length", str(BLOCK))
            request.end_headers()
            request.wfile.write(b"x" * 1000)
            request.close_connection = True
            request.connection.shutdown(2)
        else:
            proper(request)

    with scripted(answer) as server:
        result = verified(f"{server.url}/tape 7")
        assert result.outcome == "could_not_check" and rules(result) == {"bag-unreadable"}
        assert "Reading stopped after" in str(result.as_json())


def test_a_server_that_sends_too_little_accuses_nobody(bag: Path) -> None:
    proper = shelf(bag.parent)

    def answer(request: Told) -> None:
        if request.command == "GET" and "gro" in request.path:
            request.send(206, b"x" * 1000, ETag='"1"')
        else:
            proper(request)

    with scripted(answer) as server:
        result = verified(f"{server.url}/tape 7")
        assert result.outcome == "could_not_check" and "the server sent 1000 of" in str(result.as_json())


def test_no_redirect_to_another_host_is_followed(bag: Path) -> None:
    with scripted(shelf(bag.parent)) as other:

        def away(request: Told) -> None:
            request.send(302, Location=f"{other.url}{request.path}")

        with scripted(away) as server:
            result = verified(f"{server.url}/tape 7")
            assert result.outcome == "could_not_check" and "points to another place" in str(result.as_json())
        assert other.seen == []
        proper = shelf(bag.parent)

        def within(request: Told) -> None:
            if request.path.startswith("/old/"):
                request.send(301, Location=request.path.removeprefix("/old"))
            else:
                proper(request)

        with scripted(within) as server:
            result = verified(f"{server.url}/old/tape 7")
            assert result.outcome == "good"


def test_pages_that_lead_astray(bag: Path) -> None:
    """Links to other hosts, upwards, with queries, or without a name are not followed."""
    links = (
        '<a href="../">up</a><a href="/etc/passwd">x</a><a href="http://other.example/bagit.txt">x</a>'
        '<a href="?C=N;O=D">sort</a><a href="%2e%2e/secret">x</a><a href="a%2Fb">x</a><a>none</a>'
        '<a href="%00">nul</a><a href="a/b/c">deep</a>'
    )

    def answer(request: Told) -> None:
        request.send(200, links.encode(), Content_Type="text/html")

    with scripted(answer) as server:
        result = verified(f"{server.url}/shelf")
        assert result.outcome != "good" and rules(result) == {"bag-unreadable"}
        assert {path for _, path in server.seen} == {"/shelf/"}


def test_a_size_that_is_not_told(bag: Path) -> None:
    proper = shelf(bag.parent)

    def answer(request: Told) -> None:
        if "gro" in request.path:
            request.send_response(200)
            request.send_header("Transfer-Encoding", "chunked")
            request.end_headers()
            if request.command == "GET":
                request.wfile.write(b"1\r\nx\r\n0\r\n\r\n")
        else:
            proper(request)

    with scripted(answer) as server:
        result = verified(f"{server.url}/tape 7")
        assert result.outcome == "could_not_check" and "does not tell how large" in str(result.as_json())


def test_a_server_that_falls_silent(bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remotehttp, "_SILENCE", 1.0)
    proper = shelf(bag.parent)
    over = threading.Event()

    def answer(request: Told) -> None:
        if request.command == "GET" and "gro" in request.path:
            request.send_response(206)
            request.send_header("Content-Length", str(BLOCK))
            request.end_headers()
            request.wfile.write(b"x" * 1000)
            over.wait(30)
        else:
            proper(request)

    with scripted(answer) as server:
        result = verified(f"{server.url}/tape 7")
        over.set()
    assert result.outcome == "could_not_check" and "did not answer in time" in str(result.as_json())


def test_a_server_that_never_says_a_word_is_waited_for_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remotehttp, "_SILENCE", 1.0)
    over = threading.Event()
    proper = [False]

    def answer(request: Told) -> None:
        if proper[0]:
            request.send(404)
        else:
            over.wait(30)

    with scripted(answer) as server:
        for _ in range(2):
            result = verified(f"{server.url}/x")
            said = result.units[0].findings[0].what
            assert result.outcome == "could_not_check" and "did not answer in time" in said
            assert len(server.seen) == 1
        over.set()
        proper[0] = True
        monkeypatch.setattr(remotehttp, "_AGAIN", 0.0)
        assert verified(f"{server.url}/x").outcome == "missing" and len(server.seen) > 1


def test_nobody_listens(tmp_path: Path) -> None:
    with scripted(lambda request: request.send(404)) as server:
        pass
    result = verified(f"{server.url}/x")
    assert result.outcome == "could_not_check" and "refused or lost" in result.units[0].findings[0].what
