"""The real program in a process of its own: its start, its end by every signal, two at once, and its port."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_server.running import PATIENCE, Live, Running, running
from cli.commandline import run
from support.jobs import make_job

from provpack.bench.live import STREAMS

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and ports as POSIX has them")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return make_job(tmp_path / "job", ids=("T01", "T02"), frames=3000)


def lines(job: Path) -> list[dict[str, object]]:
    log = job / "bench-log.jsonl"
    return [json.loads(line) for line in log.read_bytes().splitlines()] if log.exists() else []


def start_pass(bench: Running, transfer_id: str = "T01") -> None:
    status, said = bench.act("pass_started", transfer_id=transfer_id, chain_id="A", settings={})
    assert status == 200, said


def test_it_listens_on_this_machine_only(job: Path) -> None:
    with running(job) as bench:
        assert any("on this machine only" in line for line in bench.said)
        table = Path("/proc/net/tcp").read_text() + Path("/proc/net/tcp6").read_text()
        listening = [
            row.split()[1] for row in table.splitlines() if f":{bench.port:04X} " in row and " 0A " in row
        ]
        assert listening == [f"0100007F:{bench.port:04X}"]  # 127.0.0.1 as the kernel writes it


@pytest.fixture
def not_ignored() -> Iterator[None]:
    """What whoever started the tests chose to ignore (nohup; a shell that starts them in the background) is
    inherited, and would stay ignored."""
    ignored = [n for n in (signal.SIGHUP, signal.SIGINT) if signal.getsignal(n) is signal.SIG_IGN]
    for number in ignored:
        signal.signal(number, signal.SIG_DFL)
    yield
    for number in ignored:
        signal.signal(number, signal.SIG_IGN)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_the_program_not_the_pass(job: Path, number: signal.Signals, not_ignored: None) -> None:
    with running(job) as bench:
        start_pass(bench)
        assert bench.act("event", transfer_id="T01", type="mute")[0] == 200
        live = bench.live()
        live.until("state", n=2)
        begun = time.monotonic()
        assert bench.stop(number) == 128 + number
        assert time.monotonic() - begun < 30
        assert list(live.events()) == []
        assert live.ended
        bench.until_said("Outcome: closed")
        told = "\n".join(bench.said)
        since = re.search(r"Pass 1 of T01 runs on chain A since (.*?)\. It goes on", told)
        assert since and re.fullmatch(r"(\d{4}-\d\d-\d\d )?\d\d:\d\d:\d\d", since[1]), told
        assert "It goes on running in the log." in told
        assert f"provpack bench {job}" in told
        assert "Traceback" not in told
    assert [line["kind"] for line in lines(job)] == ["pass_started", "event"]


def test_killed_and_started_again(job: Path) -> None:
    """New secrets; the window that was left open is told what to do; the pass still runs."""
    with running(job) as bench:
        start_pass(bench)
        old_cookie, old_page, old_opening, port = bench.cookie, bench.page, bench.opening, bench.port
        bench.process.kill()
        bench.process.wait()
    with running(job, opened=False) as again:
        assert again.port == port  # so that the old window finds somebody to tell it
        assert again.opening != old_opening
        assert any("Pass 1 of T01 runs" in line for line in again.said)
        again.cookie, again.page = old_cookie, old_page
        assert b"Look at the console" in again.get("/chains", 403)
        status, said = again.act("event", transfer_id="T01", type="mute")
        assert (status, said["code"]) in ((403, "bench-page-token"), (403, "bench-not-opened"))
        again.get(old_opening.partition(again.host)[2], 403)
        again.open()
        assert again.act("event", transfer_id="T01", type="mute")[0] == 200
        assert again.act("pass_stopped", transfer_id="T01", outcome="complete")[0] == 200
    assert [line["kind"] for line in lines(job)] == ["pass_started", "event", "pass_stopped"]


def test_two_programs_on_one_job_stay_in_step(job: Path) -> None:
    with running(job) as one, running(job) as two:
        assert one.port != two.port
        windows = [one.live(), two.live()]
        start_pass(one)
        for window in windows:
            window.until("state", n=1)
        assert two.act("event", transfer_id="T01", type="mute")[0] == 200
        windows[0].until("state", n=2)
        status, said = two.act("pass_started", transfer_id="T02", chain_id="A", settings={})
        assert status == 422, said
        for n in range(20):  # in turn, each behind the other's line
            assert (one, two)[n % 2].act("noted", note=f"line {n}")[0] == 200
        windows[1].until("state", n=22)
    found = lines(job)
    assert [line["n"] for line in found] == list(range(1, 23))


def test_more_windows_than_a_browser_has_connections(job: Path) -> None:
    with running(job) as bench:
        windows: list[Live] = [bench.live() for _ in range(STREAMS + 2)]
        # 204 ends a browser's asking for a stream (HTML standard, section 9.2.3)
        assert [window.status for window in windows] == [200] * STREAMS + [204] * 2
        assert bench.act("noted", note="x")[0] == 200
        for window in windows[:STREAMS]:
            window.until("state", n=1)
        assert json.loads(bench.get("/state"))["n"] == 1  # what a further window asks instead
        windows[0].close()
        until = time.monotonic() + 10
        while (again := bench.live()).status == 204:  # a place is free as soon as the first has gone
            assert time.monotonic() < until
            again.close()
            time.sleep(0.05)
        again.until("state", n=1)


def test_a_window_that_does_not_read_holds_nobody_up(job: Path) -> None:
    with running(job) as bench:
        deaf = bench.live()
        deaf.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        good = bench.live()
        for n in range(60):
            assert bench.act("noted", note="x" * 2000)[0] == 200
            if n == 30:
                good.until("state", n=20)
        good.until("state", n=60)
        assert bench.stop() == 128 + signal.SIGTERM


def test_the_port_is_taken(job: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        said = run("bench", job, "--no-browser", "--port", str(port))
    assert said.code == 15
    assert "already uses this port" in said.err
    assert "--port" in said.err


def test_no_job_there(tmp_path: Path) -> None:
    said = run("bench", tmp_path / "nowhere", "--no-browser")
    assert said.code == 12
    assert "provpack demo" in said.err
    said = run("bench", tmp_path, "--no-browser")
    assert said.code == 12
    assert "job.toml" in said.err
    assert "job_id, client and transfer_organisation" in said.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("address", "code", "words"),
    [
        ("0.0.0.0", 2, "one address"), ("::", 2, "one address"), ("my-phone.local", 2, "one address"),
        ("224.0.0.1", 2, "one address"), ("8.8.8.8", 2, "internet"), ("10.255.255.254", 15, "does not have"),
    ],
)  # fmt: skip
def test_addresses_a_phone_cannot_have(job: Path, address: str, code: int, words: str) -> None:
    said = run("bench", job, "--no-browser", "--phone", address)
    assert said.code == code, said
    assert words in said.err
    assert "/open/" not in said.out


def test_without_the_extra_it_says_what_to_install(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("provpack.bench.parts.PARTS", ("starlette", "no_such_part_of_it"))
    said = run("bench", job, "--no-browser")
    assert said.code == 15
    assert 'pip install "provpack[bench]"' in said.err
    assert "no_such_part_of_it" in said.err


def test_as_json_it_prints_one_object_at_the_end(job: Path, not_ignored: None) -> None:
    from cli.commandline import fits

    process = subprocess.Popen(
        [sys.executable, "-m", "provpack", "bench", str(job), "--no-browser", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stderr is not None
    while b"/open/" not in process.stderr.readline():
        assert process.poll() is None
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=30)
    value = json.loads(out)
    fits("bench", value)
    assert (value["outcome"], value["exit_code"], process.returncode) == ("closed", 130, 130)


def test_broken_requests_on_the_wire(job: Path) -> None:
    """What never becomes a request for the application: refused, and the program goes on."""
    with running(job) as bench:
        host = bench.host.encode()
        for raw in (
            b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(100), b"GET\r\n\r\n", b"\x00" * 2000,
            b"GET / HTTP/1.1\r\n\r\n", b"GET / HTTP/1.1\r\nHost: " + host + b"\r\nHost: evil.example\r\n\r\n",
            b"GET / HTTP/1.1\r\nHost: " + host + b"\r\nX: " + b"a" * 100_000 + b"\r\n\r\n",
            b"POST /act HTTP/1.1\r\nHost: " + host + b"\r\nContent-Length: 5\r\n"
            b"Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
            b"POST /act HTTP/1.1\r\nHost: " + host + b"\r\nContent-Length: -1\r\n\r\n",
            b"GET http://evil.example/ HTTP/1.1\r\nHost: " + host + b"\r\n\r\n",
            b"GET /\xff\xfe HTTP/1.1\r\nHost: " + host + b"\r\n\r\n", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
            b"GET / HTTP/1.1\r\nHost: " + host + b"\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\r\n",
            b"GET / HTTP/1.1\r\nHost : " + host + b"\r\n\r\n",
            b"OPTIONS * HTTP/1.1\r\nHost: " + host + b"\r\n\r\n",
        ):  # fmt: skip
            with socket.create_connection(("127.0.0.1", bench.port), timeout=20) as line:
                line.sendall(raw)
                line.shutdown(socket.SHUT_WR)
                said = b""
                try:
                    while part := line.recv(65536):
                        said += part
                except ConnectionResetError:
                    pass
            assert said.split(b" ")[1][:1] == b"4" if said else True, (raw[:60], said[:200])
        assert bench.act("noted", note="still here")[0] == 200
        assert not any("Traceback" in line for line in bench.said)
    assert len(lines(job)) == 1


def test_a_connection_that_says_nothing_is_closed(job: Path) -> None:
    """After ten seconds; not at once, and not never (then our own patience would end it with an error)."""
    with running(job) as bench, socket.create_connection(("127.0.0.1", bench.port), timeout=PATIENCE) as line:
        begun = time.monotonic()
        assert line.recv(1) == b""
        assert time.monotonic() - begun > 5
