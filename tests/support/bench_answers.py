"""Does an installed `provpack bench` answer with its pages? `bench_answers.py PROVPACK JOB DIR`; stdlib only.

For `.ci/run`: the wheel must bring templates and static files along.
"""

from __future__ import annotations

import http.cookiejar
import re
import signal
import subprocess
import sys
import urllib.request

PAGES = ("/", "/chains", "/packages", "/static/bench.css", "/static/bench.js")


def main(provpack: str, job: str, to: str) -> int:
    command = [provpack, "bench", job, "--to", to, "--no-browser", "--by", "transfer engineer"]
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # a job in the background would inherit an ignored one
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        opening = None
        while opening is None:
            line = process.stdout.readline()
            assert line, f"the program ended with {process.wait()}"
            opening = re.search(r"http://127\.0\.0\.1:\d+/open/\S+", line)
        browser = urllib.request.build_opener(
            urllib.request.ProxyHandler({}),
            urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()),
        )
        here = opening[0].partition("/open/")[0]
        browser.open(opening[0], timeout=30)
        for page in PAGES:
            body = browser.open(here + page, timeout=30).read()
            assert len(body) > 500, (page, body)
    finally:
        process.send_signal(signal.SIGINT)
        code = process.wait(30)
    assert code in (0, 130), code
    print(f"{len(PAGES)} pages of the bench answered")
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
