"""Ten thousand requests made of likely and unlikely parts: answered with sense, and never with a mistake."""

from __future__ import annotations

import json
import os
import random
from pathlib import Path

from bench_server.asking import HOST, JPEG, ORIGIN, Place

IN_CI = os.environ.get("CI") == "true"
REQUESTS = 10_000
PARTS = [
    "",
    "act",
    "carrier",
    "chains",
    "after",
    "packages",
    "photo",
    "work",
    "measure",
    "wrap",
    "verify",
    "stop",
    "phone",
    "live2",
    "state",
    "sought",
    "static",
    "receipt",
    "open",
    "T01",
    "T02",
    "T09",
    "1",
    "2",
    "-1",
    "9" * 30,
    "photos",
    "condition_photos",
    "..",
    "%2e%2e",
    "%00",
    "%ff",
    "%",
    "%0d%0a",
    "\\",
    "job.toml",
    "bench.js",
    "a" * 600,
    "%F0%9F%8E%9E",
    "~",
    "*",
    ";",
    "%c3%28",
    "w1",
    "__class__",
    "{{7*7}}",
    "<script>",
    "'",
    '"',
    " ",
]
QUERIES = [
    "",
    "",
    "?new=1",
    "?new=2",
    "?ids=T01,T02",
    "?ids=%00",
    "?ids=" + "a," * 900,
    "?%ff=%ff",
    "??",
    "?ids=",
]
METHODS = ["GET", "GET", "GET", "POST", "POST", "HEAD", "OPTIONS", "PUT", "\x00", "GET "]
VALUES = [
    "T01",
    "T02",
    "T09",
    1,
    -1,
    0,
    1e300,
    None,
    True,
    "",
    [],
    {},
    "x" * 3000,
    "\u0000",
    "\u202e",
    "mute",
    "complete",
    "A",
    "transfer",
    "title",
    "job",
    "2026-11-20T21:00:00+00:00",
    "2026-13-40T99:00:00Z",
    ["photos/x.jpg"],
    {"cell": "1"},
    {"cell": 5},
    {"cell": "\n"},
    {"deck_id": "DECK-1"},
    [[[[1]]]],
    2**60,
    "accepted",
    "T01.wav",
    "../x.wav",
]
NAMES = [
    "transfer_id",
    "scope",
    "id",
    "field",
    "value",
    "was",
    "note",
    "pass",
    "chain_id",
    "settings",
    "changed",
    "reason",
    "outcome",
    "type",
    "happened_at",
    "file",
    "verdict",
    "entry",
    "starts_at",
    "attached_by",
    "agreement",
    "other",
    "",
]
KINDS = [
    "taken_in",
    "declared",
    "pass_started",
    "pass_stopped",
    "event",
    "noted",
    "file_attached",
    "file_detached",
    "judged",
    "taken_back",
    "other",
]
REAL = {
    "taken_in": ["transfer_id"],
    "declared": ["scope", "id", "field", "value", "was"],
    "pass_started": ["transfer_id", "chain_id", "settings"],
    "pass_stopped": ["transfer_id", "outcome"],
    "event": ["transfer_id", "type"],
    "noted": ["note"],
    "file_attached": ["transfer_id", "pass", "file"],
    "file_detached": ["transfer_id", "pass"],
    "judged": ["transfer_id", "pass", "verdict"],
    "taken_back": ["entry"],
}
BODIES = [b"", b"{}", b"[]", b"\xff\xfe", b"{" * 100, JPEG, b"x" * 70_000]


def body_of(dice: random.Random) -> bytes:
    roll = dice.random()
    if roll < 0.2:
        return dice.choice(BODIES)
    kind = dice.choice(KINDS)
    names = REAL.get(kind, []) if roll < 0.7 else dice.sample(NAMES, dice.randrange(6))
    members = {name: dice.choice(VALUES) for name in names}
    after = {"after": dice.choice(VALUES)} if dice.random() < 0.2 else {}
    return json.dumps({"kind": kind, "members": members, **after}).encode()


def test_ten_thousand_requests(place: Place) -> None:
    seed = 20_260_602 if IN_CI else random.SystemRandom().randrange(2**32)  # at home others each time
    dice = random.Random(seed)
    seen: dict[int, int] = {}
    outside = sorted(p.name for p in place.folder.parent.iterdir())
    for n in range(REQUESTS):
        method = dice.choice(METHODS)
        target = "/" + "/".join(dice.choice(PARTS) for _ in range(dice.randrange(5))) + dice.choice(QUERIES)
        if dice.random() < 0.35:
            method, target = "POST", dice.choice(["/act", "/act", "/act", "/sought"])
        headers = dict(place.writing(dice.choice(["application/json"] * 4 + ["image/jpeg", "text/plain"])))
        if dice.random() < 0.25:
            spoiled = dice.choice(sorted(headers))
            headers[spoiled] = dice.choice(["", "x", HOST, ORIGIN, "null", "\xff" * 50])
        if dice.random() < 0.1:
            headers[dice.choice(["content-length", "x-name", "sec-fetch-site", "transfer-encoding"])] = (
                dice.choice(
                    ["5", "-5", "99999999999999999999", "abc", "%00", "same-origin", "chunked", "\xff"]
                )
            )
        said = place.ask(method, target.encode("latin-1", "replace"), list(headers.items()), body_of(dice))
        told = (seed, n, method, target, headers, said.status, said.body[:300])
        assert said.status < 500, told  # 503 says that the machine cannot; here it can
        assert b"Traceback" not in said.body, told
        assert 'File "' not in said.body.decode("utf-8", "replace"), told
        seen[said.status] = seen.get(said.status, 0) + 1
    assert place.noted.errors == [], (seed, place.noted.errors[:3])
    assert {200, 403, 404, 421, 422} <= set(seen), seen
    assert sorted(p.name for p in place.folder.parent.iterdir()) == outside
    top = {Path(name).parts[0] for name in place.tree()}
    assert top <= {"job.toml", "equipment.toml", "T01.wav", "T02.wav", "bench-log.jsonl", "photos"}, (
        seed,
        top,
    )
