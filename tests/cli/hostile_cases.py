"""The table of hostile and half-right inputs: what is done, what is typed, the exit code that must come, and
the rule or error that must be told. Every row is run by test_bad_input.py."""

from __future__ import annotations

import json
import struct

from cli.hostile import (
    AUDIO,
    BLOCKS,
    CSV_HEAD,
    CSV_ROW,
    DEEP_JSON,
    DEEP_XML,
    LAUGHS,
    MASTER,
    OUTSIDE,
    PCM,
    RECORD,
    Case,
    Spoil,
    bext,
    both,
    bytes_in_name,
    bytes_in_package,
    chunk,
    deep_folders,
    deep_package,
    edited,
    empty_job,
    endless_sheet,
    field,
    file,
    flac,
    fmt,
    good_wav,
    huge_hole,
    job_is_file,
    ledger,
    leftover,
    line_break_wav,
    linked_entries,
    linked_ledger,
    linked_master,
    linked_sheet,
    linked_wav,
    long_name_wav,
    no_job,
    nothing,
    odd_names,
    packaged,
    pipe_in_package,
    pipe_instead_of,
    resealed,
    riff,
    secret_outside,
    sheet,
    socket_in_job,
    sound,
    table,
    taken,
    wild,
)

WRAP, CHECK, LOOK, V = "wrap job --to out", "check job", "inspect x.wav", "verify package"
M = "verify package --depth meaning"


def wave(name: str, data: bytes | Spoil, inspect: tuple[int, str], wrap: tuple[int, str, int]) -> list[Case]:
    """One received file, looked into and wrapped."""
    spoil = data if callable(data) else sound(data)
    return [
        Case(name=f"{name}, looked into", spoil=spoil, words=LOOK, codes=(inspect[0],), told=inspect[1]),
        Case(name=f"{name}, wrapped", spoil=spoil, words=WRAP, codes=(wrap[0],), told=wrap[1], made=wrap[2]),
    ]


def job(name: str, spoil: Spoil, code: int, told: str, made: int = 0) -> list[Case]:
    """A job that is checked, and wrapped: both must tell the same."""
    return [
        Case(name=f"{name}, checked", spoil=spoil, words=CHECK, codes=(code,), told=told),
        Case(name=f"{name}, wrapped", spoil=spoil, words=WRAP, codes=(code,), told=told, made=made),
    ]


def one(name: str, spoil: Spoil, words: str, code: int, told: str, made: int = 0) -> list[Case]:
    return [Case(name=name, spoil=spoil, words=words, codes=(code,), told=told, made=made)]


WAVES = [
    *wave("empty file", b"", (12, "wav-not-wave"), (12, "row-file-empty", 0)),
    *wave("12 bytes", riff()[:12], (12, "wav-no-fmt"), (12, "wav-no-fmt", 0)),
    *wave("cut inside the header", good_wav()[:30], (12, "wav-fmt-too-short"), (12, "wav-fmt-too-short", 0)),
    *wave("header only", good_wav()[:44], (12, "wav-data-cut-short"), (12, "wav-data-cut-short", 0)),
    *wave("cut short", good_wav()[:-5000], (12, "wav-data-cut-short"), (12, "wav-data-cut-short", 0)),
    *wave("no audio chunk", riff(fmt()), (12, "wav-no-data"), (12, "wav-no-data", 0)),
    *wave("no format", riff(chunk(b"data", AUDIO)), (12, "wav-no-fmt"), (12, "wav-no-fmt", 0)),
    *wave(
        "0 channels",
        riff(fmt(channels=0, align=0), chunk(b"data", AUDIO)),
        (12, "wav-fmt-impossible"),
        (12, "wav-fmt-impossible", 0),
    ),
    *wave(
        "rate 0",
        riff(fmt(rate=0), chunk(b"data", AUDIO)),
        (12, "wav-fmt-impossible"),
        (12, "wav-fmt-impossible", 0),
    ),
    *wave(
        "65535 channels",
        riff(fmt(channels=65535, align=65535 * 2 & 0xFFFF), chunk(b"data", AUDIO)),
        (12, "wav-data-empty"),
        (12, "wav-data-empty", 0),
    ),
    *wave(
        "short fmt",
        riff(chunk(b"fmt ", PCM[:10]), chunk(b"data", AUDIO)),
        (12, "wav-fmt-too-short"),
        (12, "wav-fmt-too-short", 0),
    ),
    *wave(
        "sizes never filled in",
        riff(fmt(), chunk(b"data", AUDIO, size=0xFFFFFFFF), size=0xFFFFFFFF),
        (1, "wav-data-size-unset"),
        (1, "wav-data-size-unset", 1),
    ),
    *wave(
        "size 0 with audio after it",
        riff(fmt(), chunk(b"data", b"", size=0) + AUDIO),
        (12, "wav-interrupted"),
        (12, "wav-interrupted", 0),
    ),
    *wave(
        "RIFX",
        riff(fmt(), chunk(b"data", AUDIO), form=b"RIFX"),
        (12, "wav-big-endian"),
        (12, "wav-big-endian", 0),
    ),
    *wave("float", riff(fmt(3, 2, 44100, 8, 32), chunk(b"data", AUDIO)), (0, ""), (12, "row-file-bits", 0)),
    *wave("A-law", riff(fmt(6, 2, 44100, 2, 8), chunk(b"data", AUDIO)), (0, ""), (12, "row-file-bits", 0)),
    *wave(
        "unknown codec",
        riff(fmt(0x55, 2, 44100, 1, 0), chunk(b"data", AUDIO)),
        (12, "wav-fmt-unsupported"),
        (12, "wav-fmt-unsupported", 0),
    ),
    *wave("a text", b"This is a letter, not a sound.\n" * 50, (12, "wav-not-wave"), (12, "wav-not-wave", 0)),
    *wave("an image", b"\x89PNG\r\n\x1a\n" + bytes(500), (12, "wav-not-wave"), (12, "wav-not-wave", 0)),
    *wave("FLAC called .wav", flac, (0, "wav-other-container"), (12, "wav-not-wave", 0)),
    *wave("FLAC magic and nothing", b"fLaC", (12, "wav-other-container-unreadable"), (12, "wav-not-wave", 0)),
    *wave(
        "RF64 without ds64",
        riff(fmt(), chunk(b"data", AUDIO, size=0xFFFFFFFF), form=b"RF64", size=0xFFFFFFFF),
        (1, "wav-ds64-missing"),
        (1, "wav-ds64-missing", 1),
    ),
    *wave(
        "RF64 with an absurd ds64",
        riff(
            chunk(b"ds64", b"\xff" * 24 + struct.pack("<I", 0xFFFFFFFF)),
            fmt(),
            chunk(b"data", AUDIO, size=0xFFFFFFFF),
            form=b"RF64",
            size=0xFFFFFFFF,
        ),
        (12, "wav-data-cut-short"),
        (12, "wav-data-cut-short", 0),
    ),
    *wave("a chunk of 3 GB on paper", huge_hole, (12, "wav-no-data"), (12, "wav-no-data", 0)),
    *wave(
        "odd chunk without pad",
        riff(chunk(b"note", b"abc", pad=False), fmt(), chunk(b"data", AUDIO)),
        (1, "wav-pad-missing"),
        (1, "wav-pad-missing", 1),
    ),
    *wave(
        "half a frame at the end",
        riff(fmt(), chunk(b"data", AUDIO + b"\1\2")),
        (1, "wav-data-partial-frame"),
        (1, "wav-data-partial-frame", 1),
    ),
    *wave(
        "110 000 chunks",
        riff(fmt(), chunk(b"data", AUDIO), chunk(b"xtra", b"") * 110_000),
        (12, "wav-too-many-chunks"),
        (12, "wav-too-many-chunks", 0),
    ),
    *wave(
        "two data chunks",
        riff(fmt(), chunk(b"data", AUDIO), chunk(b"data", AUDIO)),
        (1, "wav-several-data"),
        (1, "wav-several-data", 1),
    ),
    *wave(
        "entity bomb in axml",
        good_wav(chunk(b"axml", LAUGHS)),
        (1, "wav-xml-unreadable"),
        (1, "wrap-axml-kept-aside", 1),
    ),
    *wave(
        "entity from outside in axml",
        good_wav(chunk(b"axml", OUTSIDE)),
        (1, "wav-xml-unreadable"),
        (1, "wrap-axml-kept-aside", 1),
    ),
    *wave(
        "DOCTYPE in axml",
        good_wav(chunk(b"axml", b"<!DOCTYPE a><a/>")),
        (1, "wav-xml-unreadable"),
        (1, "wrap-axml-kept-aside", 1),
    ),
    *wave(
        "deep axml",
        good_wav(chunk(b"axml", DEEP_XML)),
        (1, "wav-xml-unreadable"),
        (1, "wrap-axml-kept-aside", 1),
    ),
    *wave(
        "binary axml",
        good_wav(chunk(b"axml", b"\xff\xfe\0\1" * 9)),
        (1, "wav-xml-unreadable"),
        (1, "wrap-axml-kept-aside", 1),
    ),
    *wave(
        "entity bomb in iXML",
        good_wav(chunk(b"iXML", LAUGHS)),
        (1, "wav-xml-unreadable"),
        (1, "wav-xml-unreadable", 1),
    ),
    *wave(
        "short bext",
        good_wav(chunk(b"bext", b"short")),
        (1, "wav-bext-too-short"),
        (1, "wav-bext-too-short", 1),
    ),
    *wave(
        "bext that is not ASCII",
        good_wav(bext(0, "Großmüller 夜".encode())),
        (0, "wav-text-not-ascii"),
        (1, "wav-text-not-ascii", 1),
    ),
    *wave(
        "bext date that is none",
        good_wav(bext(320, b"31.12.1984")),
        (1, "wav-bext-date"),
        (1, "wav-bext-date", 1),
    ),
    *wave(
        "time reference beyond a day",
        good_wav(bext(338, b"\xff" * 8)),
        (0, "wav-time-reference-beyond-day"),
        (1, "wav-time-reference-beyond-day", 1),
    ),
    *wave(
        "coding history of one long line",
        good_wav(bext(history=b"A=PCM,T=" + b"x" * 500_000)),
        (0, "wav-history-line-ends"),
        (1, "wrap-history-left-out", 1),
    ),
    *wave(
        "4 thousand million cue points",
        good_wav(chunk(b"cue ", struct.pack("<I", 0xFFFFFFFF))),
        (1, "wav-cue-malformed"),
        (1, "wav-cue-malformed", 1),
    ),
    *wave(
        "100 000 cue points",
        good_wav(
            chunk(
                b"cue ",
                struct.pack("<I", 100_000)
                + b"".join(struct.pack("<IIIIII", n, n, 0x61746164, 0, 0, n % 30000) for n in range(100_000)),
            )
        ),
        (1, "wav-cue-malformed"),
        (1, "wav-cue-malformed", 1),
    ),
    *wave(
        "lists in lists",
        good_wav(chunk(b"LIST", b"INFO" + b"LIST\xff\xff\xff\xffINFO" * 1000)),
        (1, "wav-list-malformed"),
        (1, "wav-list-malformed", 1),
    ),
    *wave(
        "escape codes in LIST INFO",
        good_wav(chunk(b"LIST", b"INFO" + chunk(b"INAM", b"\x1b[2J\x07x\0"))),
        (0, ""),
        (1, "", 1),
    ),
    *wave("a link", linked_wav, (12, "not-a-regular-file"), (12, "job-link", 0)),
    *wave(
        "a pipe",
        both(pipe_instead_of("x.wav"), pipe_instead_of("job/T01.wav")),
        (12, "not-a-regular-file"),
        (12, "job-not-a-file", 0),
    ),
]

MANY = 30_000
JOBS = [
    *job(
        "30 000 channels said to be a multitrack",
        both(
            sound(riff(fmt(channels=MANY, align=MANY * 2), chunk(b"data", bytes(MANY * 2 * 200)))),
            sheet('channel_use = "stereo"', 'channel_use = "multitrack"'),
        ),
        12,
        "row-file-channels",
    ),
    *job("no job folder", no_job, 12, "job-folder-missing"),
    *job("empty job folder", empty_job, 12, "job-sheet-missing"),
    *job("a file as job folder", job_is_file, 12, "job-folder-missing"),
    *job("TOML syntax error", sheet('client = "', "client = "), 12, "job-toml-syntax"),
    *job("TOML nested 100 000 deep", file("job/job.toml", b"a = " + b"[" * 100_000), 12, "job-toml-syntax"),
    *job(
        "TOML dotted 100 000 deep",
        file("job/job.toml", b"a" + b".a" * 100_000 + b" = 1"),
        12,
        "job-toml-syntax",
    ),
    *job("TOML of binary", file("job/job.toml", bytes(range(256)) * 40), 12, "job-sheet-encoding"),
    *job("TOML in UTF-16", file("job/job.toml", "job_id = 'x'".encode("utf-16")), 12, "job-sheet-encoding"),
    *job(
        "TOML number of 100 000 digits",
        file("job/job.toml", b"job_id = " + b"9" * 100_000),
        12,
        "job-toml-syntax",
    ),
    *job("endless job.toml", endless_sheet, 12, "job-sheet-missing"),
    *job("job.toml is a link", linked_sheet, 12, "job-sheet-missing"),
    *job("job.toml is a pipe", pipe_instead_of("job/job.toml"), 12, "job-sheet-missing"),
    *job("40 MB of job.toml", file("job/job.toml", b"# x\n" * 10_000_000), 12, "job-sheet-too-large"),
    *job("key that does not exist", sheet('client = "', 'cleint = "'), 12, "job-key-unknown"),
    *job("empty transfers.csv", table(b""), 12, "job-sheet-empty"),
    *job("binary transfers.csv", table(bytes(range(256)) * 100), 12, "job-sheet-nul"),
    *job(
        "UTF-16 transfers.csv", table((CSV_HEAD + "\n" + CSV_ROW).encode("utf-16")), 1, "job-sheet-utf16", 1
    ),
    *job(
        "cp1252 transfers.csv",
        table(
            (CSV_HEAD + "\n" + CSV_ROW.replace("Evening", "Dvořák\x85".replace("ř", "r")) + "\n").encode(
                "latin-1"
            )
        ),
        1,
        "job-sheet-cp1252",
        1,
    ),
    *job("ragged rows", table(CSV_ROW + ",more,and,more"), 12, "row-ragged"),
    *job("open quote", table('"' + CSV_ROW), 12, "row-quotes"),
    *job("a cell of 5 MB", wild("label_transcription", "x" * 5_000_000), 12, "row-cell-too-large"),
    *job("NaN as a number", wild("carrier_nominal_minutes", "NaN"), 12, "row-not-a-number"),
    *job("infinity as a number", wild("carrier_nominal_minutes", "inf"), 12, "row-not-a-number"),
    *job("1e999 as a number", wild("carrier_nominal_minutes", "1e999"), 12, "row-scientific"),
    *job("spreadsheet error in a cell", wild("operator", "#REF!"), 12, "row-spreadsheet-error"),
    *job("duplicate ids", table(CSV_ROW + "\n" + CSV_ROW), 12, "row-id-repeated"),
    *job("duplicate headers", table(CSV_ROW + ",a,b", CSV_HEAD + ",title,title"), 12, "row-header-duplicate"),
    *job("a column nobody knows", table(CSV_ROW + ",x", CSV_HEAD + ",emphasys"), 12, "row-header-unknown"),
    *job(
        "a pass longer than the day",
        sheet('stopped_at = "2026-06-02T10', 'stopped_at = "1926-06-02T10'),
        12,
        "rec-pass-times",
    ),
    *job("a pass in the future", sheet("2026-06-02T10", "2999-06-02T10"), 12, "row-pass-future"),
    *job(
        "recorded before recording was invented",
        field('recorded_date = "1066-10-14"'),
        1,
        "row-date-too-early",
        1,
    ),
    *job("a date that is none", field('recorded_date = "1984-02-30"'), 12, "row-schema"),
    *job("file path climbs out", sheet('"T01.wav"', '"../x.wav"'), 12, "job-path-outside"),
    *job("file path is absolute", sheet('"T01.wav"', '"/etc/passwd"'), 12, "job-path-outside"),
    *job("file path with a drive", sheet('"T01.wav"', '"C:/x.wav"'), 12, "job-path-outside"),
    *job("file path with backslash", sheet('"T01.wav"', '"a\\\\..\\\\x.wav"'), 12, "job-path-form"),
    *job("file path with NUL", sheet('"T01.wav"', '"T01.wav\\u0000"'), 12, "job-sheet-nul"),
    *job("file path is a web address", sheet('"T01.wav"', '"http://x.invalid/x.wav"'), 12, "job-path-form"),
    *job("file does not exist", sheet('"T01.wav"', '"T1.wav"'), 12, "job-file-missing"),
    *job("document climbs out", field('documents = ["../../etc/passwd"]'), 12, "job-path-outside"),
    *job("document is absolute", field('documents = ["/etc/passwd"]'), 12, "job-path-outside"),
    *job("document is a link", both(linked_entries, field('documents = ["etc/passwd"]')), 12, "job-link"),
    *job("document is the job folder", field('documents = ["."]'), 12, "job-not-a-file"),
    *job("links in the folder", linked_entries, 1, "job-folder-link", 1),
    *job("a pipe in the folder", pipe_instead_of("job/pipe"), 1, "job-folder-special", 1),
    *job("a socket in the folder", socket_in_job, 1, "job-folder-special", 1),
    *job("folders nested 60 deep", deep_folders, 12, "job-folder-too-large"),
    *job("a name that is not Unicode", bytes_in_name, 1, "job-name-bytes", 1),
    *job("names with line breaks and 255 bytes", odd_names, 1, "", 1),
    *job("WAV with a line break in its name", line_break_wav, 12, "row-line-break"),
    *job("WAV with a name of 255 bytes", long_name_wav, 1, "", 1),
    *job("title of 10 000 characters", sheet('"Evening T01"', '"' + "x" * 10_000 + '"'), 1, "", 1),
    *job(
        "title with HTML and script",
        sheet('"Evening T01"', '"</title><script>alert(1)</script><img src=x onerror=alert(1)>{{7*7}}"'),
        1,
        "",
        1,
    ),
    *job("title with emoji and right-to-left", sheet('"Evening T01"', '"🎻👩‍🚀 שלום مرحبا"'), 1, "", 1),
    *job(
        "title with letters turned round",
        sheet('"Evening T01"', '"🎻👩‍🚀 \\u202Eשלום مرحبا"'),
        12,
        "row-text-direction",
    ),
    *job(
        "title with control characters",
        sheet('"Evening T01"', '"a\\u001B[2J\\u0000b"'),
        12,
        "row-control-character",
    ),
    *job(
        "transfer_id of dots and slashes", sheet('transfer_id = "T01"', 'transfer_id = "../../T01"'), 1, "", 1
    ),
    *job(
        "transfer_id of 5000 characters",
        sheet('transfer_id = "T01"', f'transfer_id = "{"t" * 5000}"'),
        1,
        "",
        1,
    ),
    *job(
        "equipment nobody registered",
        sheet('deck_id = "DECK-1"', 'deck_id = "DECK-9"'),
        12,
        "row-equipment-unknown",
    ),
    *job(
        "no equipment register",
        lambda place: (place / "job/equipment.toml").unlink(),
        12,
        "job-sheet-missing",
    ),
    *job(
        "equipment register elsewhere and absent",
        sheet('client = "', 'equipment = "../e.toml"\nclient = "'),
        12,
        "job-sheet-missing",
    ),
]

PLACES = [
    *one("destination is a file", file("out", b"x"), WRAP, 14, "destination-not-a-folder"),
    *one("destination is the job folder", nothing, "wrap job --to job", 14, "destination-in-job-folder"),
    *one(
        "destination inside the job folder", nothing, "wrap job --to job/a", 14, "destination-in-job-folder"
    ),
    *one(
        "destination inside through a link",
        lambda p: (p / "out").symlink_to(p / "job"),
        "wrap job --to out/x",
        14,
        "destination-in-job-folder",
    ),
    *one("destination without parent", nothing, "wrap job --to a/b/c", 14, "no-parent-folder"),
    *one("destination below a file", nothing, "wrap job --to x.wav/out", 14, "no-parent-folder"),
    *one(
        "destination is a dead link",
        lambda p: (p / "out").symlink_to(p / "gone"),
        WRAP,
        14,
        "destination-not-a-folder",
    ),
    *one("package exists", taken, WRAP, 14, "destination-exists", 1),
    *one("package name taken by a file", file("out/job-1_t01", b"x"), WRAP, 14, "destination-exists"),
    *one(
        "package name taken by an empty folder",
        lambda p: (p / "out/job-1_t01").mkdir(parents=True),
        WRAP,
        14,
        "destination-exists",
    ),
    *one("leftover of a crash", leftover, WRAP, 1, "wrap-leftover", 1),
    *one("ledger is a link", linked_ledger, WRAP, 1, "wrap-ledger-failed", 1),
    *one(
        "ledger is a pipe",
        both(file("out/x", b""), pipe_instead_of("out/custody-ledger.jsonl")),
        WRAP,
        1,
        "wrap-ledger-failed",
        1,
    ),
    *one(
        "ledger is a folder",
        lambda p: (p / "out/custody-ledger.jsonl").mkdir(parents=True),
        WRAP,
        1,
        "wrap-ledger-failed",
        1,
    ),
    *one("ledger ends in nonsense", ledger(b"hello\n"), WRAP, 1, "wrap-ledger-failed", 1),
    *one("ledger with an infinite number", ledger(b'{"n":1e999}\n'), WRAP, 1, "wrap-ledger-failed", 1),
    *one("ledger nested deep", ledger(DEEP_JSON + b"\n"), WRAP, 1, "wrap-ledger-failed", 1),
    *one("ledger of one line of 40 MB", ledger(b"x" * 40_000_000), WRAP, 1, "wrap-ledger-failed", 1),
    *one("ledger with a torn line", ledger(b'{"n":'), WRAP, 1, "", 1),
    *one("destination of 5000 characters", nothing, f"wrap job --to {'d' * 5000}", 15, "name-too-long"),
    *one(
        "destination below 5000 characters",
        nothing,
        f"wrap job --to {'d' * 5000}/out",
        14,
        "no-parent-folder",
    ),
    *one("job of 5000 characters", nothing, f"check {'j' * 5000}", 12, "job-folder-missing"),
    *one("file of 5000 characters", nothing, f"inspect {'f' * 5000}", 15, "name-too-long"),
    *one("package of 5000 characters", nothing, f"verify {'p' * 5000}", 11, "bag-unreadable"),
    *one("inspect a folder", nothing, "inspect job", 12, "not-a-regular-file"),
    *one("inspect nothing", nothing, "inspect gone.wav", 12, "file-missing"),
    *one("inspect a device", nothing, "inspect /dev/zero", 12, "not-a-regular-file"),
    *one("record out of a plain file", nothing, "inspect x.wav --record", 12, "no-record-inside"),
    *one(
        "record out of a bomb",
        sound(good_wav(chunk(b"axml", LAUGHS))),
        "inspect x.wav --record",
        12,
        "no-record-inside",
    ),
    *one(
        "record nested deep",
        sound(
            good_wav(
                chunk(
                    b"axml",
                    b'<transferRecord xmlns="urn:provpack:record:1">{"a":'
                    + DEEP_JSON
                    + b"}</transferRecord>",
                )
            )
        ),
        "inspect x.wav --record",
        12,
        "no-record-inside",
    ),
    *one(
        "record with NaN",
        sound(
            good_wav(
                chunk(b"axml", b'<transferRecord xmlns="urn:provpack:record:1">{"a": NaN}</transferRecord>')
            )
        ),
        "inspect x.wav --record",
        12,
        "no-record-inside",
    ),
    *one("demo over a folder", nothing, "demo job", 14, "folder-exists"),
    *one("demo below a file", nothing, "demo x.wav/demo", 14, "no-parent-folder"),
]

LINES = b"".join(b"%064x  data/nowhere/%d\n" % (n, n) for n in range(100_000))
FETCH = b"".join(b"http://x.invalid/%d 10 data/f%d\n" % (n, n) for n in range(50_000))

PACKAGES = [
    *one("verify nothing", nothing, "verify gone", 10, "bag-not-found"),
    *one("verify a file", nothing, "verify x.wav", 11, "bag-not-a-folder"),
    *one("verify a folder without packages", nothing, "verify job", 10, "bag-none-here"),
    *one("record.json nested deep", resealed(packaged(RECORD, DEEP_JSON)), M, 10, "bag-record-invalid"),
    *one(
        "record.json nested 900 deep",
        resealed(edited(RECORD, deep=json.loads("[" * 900 + "]" * 900))),
        M,
        10,
        "bag-record-invalid",
    ),
    *one(
        "record.json with a number of 10 000 digits",
        resealed(packaged(RECORD, b'{"a":' + b"9" * 10_000 + b"}")),
        M,
        10,
        "bag-record-invalid",
    ),
    *one(
        "record.json of 60 MB",
        resealed(packaged(RECORD, b'{"a":"' + b"x" * 60_000_000 + b'"}')),
        M,
        10,
        "bag-record-invalid",
    ),
    *one(
        "record.json with a million keys",
        resealed(packaged(RECORD, json.dumps({f"k{n}": n for n in range(300_000)}).encode())),
        M,
        10,
        "bag-record-invalid",
    ),
    *one("record.json is an empty list", resealed(packaged(RECORD, b"[]")), M, 10, "bag-record-invalid"),
    *one("record.json with NaN", resealed(packaged(RECORD, b'{"a": NaN}')), M, 10, "bag-record-invalid"),
    *one(
        "record.json of a newer version",
        resealed(edited(RECORD, schema_version="9.0.0")),
        M,
        11,
        "bag-not-checked",
    ),
    *one(
        "record.json without a version",
        resealed(edited(RECORD, schema_version=None)),
        M,
        10,
        "bag-record-invalid",
    ),
    *one(
        "record.json names files elsewhere",
        resealed(
            edited(
                RECORD,
                files=[
                    {
                        "role": "master",
                        "path": "../../x.wav",
                        "media_type": "a/b",
                        "bytes": 1,
                        "sha256": "0" * 64,
                    }
                ],
            )
        ),
        M,
        10,
        "bag-record-invalid",
    ),
    *one("block_frames 0", resealed(edited(BLOCKS, block_frames=0)), M, 10, "bag-block-digests-unusable"),
    *one("block_frames negative", resealed(edited(BLOCKS, block_frames=-5)), M, 10, ""),
    *one("block_frames giant", resealed(edited(BLOCKS, block_frames=10**30)), M, 10, ""),
    *one("frame_bytes 0", resealed(edited(BLOCKS, frame_bytes=0)), M, 10, ""),
    *one("audio_offset beyond the file", resealed(edited(BLOCKS, audio_offset=10**15)), M, 10, ""),
    *one("rate 1/0", resealed(edited(BLOCKS, sampling_frequency={"num": 1, "den": 0})), M, 10, ""),
    *one("a float where a count belongs", resealed(edited(BLOCKS, frames=1e308)), M, 10, ""),
    *one("a million wrong blocks", resealed(edited(BLOCKS, blocks=["0" * 64] * 1_000_000)), M, 10, ""),
    *one(
        "block digests of another file",
        resealed(edited(BLOCKS, file="../../x.wav")),
        M,
        10,
        "bag-block-digests-unusable",
    ),
    *one(
        "100 000 lines that point nowhere", packaged("manifest-sha256.txt", LINES), V, 10, "bag-file-missing"
    ),
    *one(
        "manifest climbs out",
        secret_outside(b"2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881  ../secret\n"),
        V,
        10,
        "bag-path-unsafe",
    ),
    *one("manifest is absolute", secret_outside(b"0" * 64 + b"  /etc/passwd\n"), V, 10, "bag-path-unsafe"),
    *one(
        "manifest with hidden traversal",
        secret_outside(b"0" * 64 + b"  data/%2e%2e/..//../secret\n"),
        V,
        10,
        "bag-path-unsafe",
    ),
    *one(
        "manifest of binary",
        packaged("manifest-sha512.txt", bytes(range(256)) * 1000),
        V,
        10,
        "bag-manifest-line",
    ),
    *one(
        "manifest of one line of 20 MB",
        packaged("manifest-sha512.txt", b"a" * 20_000_000),
        V,
        10,
        "bag-manifest-line",
    ),
    *one(
        "unknown algorithm",
        lambda p: (p / "package/manifest-sha512.txt").rename(p / "package/manifest-whirl9.txt"),
        V,
        10,
        "bag-algorithm-unknown",
    ),
    *one("fetch.txt of 50 000 lines", packaged("fetch.txt", FETCH), V, 10, "bag-fetch-not-in-manifest"),
    *one(
        "fetch.txt climbs out",
        packaged("fetch.txt", b"http://x.invalid/a - ../../etc/cron.d/x\n"),
        V,
        10,
        "bag-path-unsafe",
    ),
    *one(
        "bagit.txt of a newer version",
        packaged("bagit.txt", b"BagIt-Version: 9.9\nTag-File-Character-Encoding: UTF-8\n"),
        V,
        10,
        "bag-version-unknown",
    ),
    *one("bagit.txt empty", packaged("bagit.txt", b""), V, 10, "bag-declaration"),
    *one("bag-info.txt of binary", packaged("bag-info.txt", bytes(range(256)) * 40), V, 10, "bag-info-line"),
    *one(
        "Payload-Oxum of 5000 digits",
        packaged("bag-info.txt", b"Payload-Oxum: " + b"9" * 5000 + b".1\n"),
        V,
        10,
        "bag-oxum-form",
    ),
    *one("master is a link", linked_master, V, 10, "bag-link"),
    *one("a pipe in the payload", pipe_in_package, V, 10, "bag-not-a-regular-file"),
    *one("folders deeper than a path", deep_package, V, 11, "bag-unreadable"),
    *one("a payload name that is not Unicode", bytes_in_package, V, 10, "bag-payload-unlisted"),
    *one("master of zeros", packaged(MASTER, bytes(200_000)), M, 10, "bag-digest-mismatch"),
    *one(
        "master is no WAV, resealed",
        resealed(packaged(MASTER, b"no sound")),
        M,
        10,
        "bag-embedded-record-disagrees",
    ),
    *one(
        "entity bomb in the embedded record",
        resealed(packaged(MASTER, good_wav(chunk(b"axml", LAUGHS)))),
        M,
        10,
        "bag-embedded-record-disagrees",
    ),
    *one(
        "entity bomb as premis.xml",
        resealed(packaged("data/metadata/premis.xml", LAUGHS)),
        M,
        1,
        "premis-not-readable",
    ),
]

CASES: list[Case] = [*WAVES, *JOBS, *PLACES, *PACKAGES]
