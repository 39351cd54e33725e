"""A loaded job: row over chain over defaults, origins, and the record each transfer starts from."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from unit.input.jobs_made import BASE, checked, edit_rows, make_job, replace_text, told, wave

from provpack.jobs.load import build_record_draft, load_job


def test_a_clean_job_has_no_finding(tmp_path: Path) -> None:
    result = checked(make_job(tmp_path / "job"))
    assert result.findings == ()
    assert result.outcome == "good"
    assert [t.package_name for t in result.transfers] == ["j-2031-07_t1", "j-2031-07_t2"]
    assert result.as_json()["units"][0]["frames"] == 176224


def test_check_writes_nothing(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    before = {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.iterdir()}
    checked(folder)
    assert {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.iterdir()} == before


def test_row_beats_chain_beats_defaults(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    replace_text(folder, [("job.toml", "[defaults]", '[defaults]\ndecoder_mode = "16"\ntracking_note = "d"')])
    edit_rows(folder, {"2": {"decoder_mode": "14"}})
    one, two = load_job(folder).transfers
    assert (one.values["decoder_mode"], two.values["decoder_mode"]) == ("14", "auto")
    assert one.values["tracking_note"] == "d"
    levels = [t.origins["decoder_mode"].level for t in (one, two)] + [one.origins["tracking_note"].level]
    assert levels == ["row", "chain", "defaults"]
    assert str(one.origins["decoder_mode"]) == "transfers.csv, row 2, column decoder_mode"
    assert str(two.origins["decoder_mode"]) == "job.toml, chain[1].decoder_mode"


def test_the_draft_marks_what_was_derived(tmp_path: Path) -> None:
    job = load_job(make_job(tmp_path / "job"))
    draft = build_record_draft(job, job.transfers[0], record_id="id")
    assert draft["deck"]["deck_serial"] == "70012"
    assert draft["deck"]["deck_last_service"] == "2031-03-02"
    assert draft["decoder"]["digital_output_revision"] == "board r3"
    assert (draft["capture"]["chain_check_id"], draft["capture"]["chain_check_at"]) == ("CC-11", "2031-05-02")
    assert draft["carrier"]["source_bit_depth"] == 14
    # domain note 1.4: 525/59.94 means 44100/1.001 Hz
    assert draft["signal"]["sampling_frequency"] == {"num": 44100000, "den": 1001}
    assert "header_sampling_frequency_hz" not in draft["signal"]
    derived = {entry["field"]: entry for entry in draft["derived"]}
    for field in ("/deck/deck_serial", "/carrier/source_bit_depth", "/signal/sampling_frequency"):
        assert derived[field]["from"] and derived[field]["how"]
    assert "/deck/deck_id" not in derived and "/item/title" not in derived
    entry = draft["processing"]["passes"][0]
    assert (entry["n"], entry["deck_id"], entry["file"]) == (1, "D1", "t1.wav")
    assert [e["type"] for e in draft["custody"]["custody_events"]] == ["received", "returned"]


def test_times_become_frames_at_the_exact_rate(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    text = "transfer_id,frame,type,origin\nT1,1:00:00,mute,seen\n"
    (folder / "transfer_events.csv").write_text(text, encoding="utf-8")
    transfer = load_job(folder).transfers[0]
    # 3600 s x 44100000/1001 = 158601398.6: at 44100 Hz it would be 3.6 s of frames more (domain note 1.4)
    assert transfer.values["transfer_events"][0]["frame"] == 158601399
    assert transfer.converted[0]["field"] == "/processing/transfer_events/0/frame"


def test_what_was_declared_is_never_replaced(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    edit_rows(
        folder, {"2": {"deck_serial": "70012", "chain_check_id": "CC-11", "source_bit_depth": "unknown"}}
    )
    job = load_job(folder)
    draft = build_record_draft(job, job.transfers[0], record_id="id")
    assert draft["carrier"]["source_bit_depth"] == "unknown"
    fields = {entry["field"] for entry in draft["derived"]}
    assert not fields & {"/deck/deck_serial", "/capture/chain_check_id", "/carrier/source_bit_depth"}


def test_every_sheet_read_is_named_with_its_digest(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    job = load_job(folder)
    draft = build_record_draft(job, job.transfers[1], record_id="id")
    told_in = {entry["path"]: entry for entry in draft["declared_in"]}
    assert told_in["transfers.csv"]["row"] == 3
    assert told_in["job.toml"]["sha256"] == hashlib.sha256((BASE / "job.toml").read_bytes()).hexdigest()
    assert "transfer_events.csv" not in told_in, "no event of T2 stands there"


def test_a_swapped_id_lends_no_serial(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    edit_rows(folder, {"2": {"deck_id": "P1"}})
    job = load_job(folder)
    assert "deck_serial" not in build_record_draft(job, job.transfers[0], record_id="id")["deck"]


def test_nested_tables_say_the_same_as_sheets(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    sheet = load_job(folder).transfers
    rows = "\n".join(
        f'[[transfer]]\ntransfer_id = "T{n}"\nfile = "t{n}.wav"\nchain = "A"\nclient_item_id = "HR-{n}"\n'
        f'title = "{title}"\nlabel_transcription = "{label}"\nstarted_at = 2031-05-04T1{n - 1}:00:00+02:00\n'
        f"stopped_at = 2031-05-04T1{n - 1}:00:05+02:00\n" + events
        for n, title, label, events in (
            (1, "Evening concert", "Evening\\nconcert 4/83", EVENTS),
            (2, "Morning talk", "Talk", ""),
        )
    )
    for name in ("transfers.csv", "transfer_events.csv"):
        (folder / name).unlink()
    with (folder / "job.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n" + rows)
    assert checked(folder).findings == ()
    for one, other in zip(sheet, load_job(folder).transfers, strict=True):
        assert one.values == other.values
        assert (one.started_at, one.path) == (other.started_at, other.path)


EVENTS = """transfer_events = [
  { frame = 10, type = "operator_note", origin = "seen" },
  { frame = "0:00:01", type = "mute", origin = "seen" },
]
"""


def test_hard_links_and_alike_names_are_seen(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    (folder / "t2.wav").unlink()
    os.link(folder / "t1.wav", folder / "t2.wav")
    assert told(checked(folder)) == ["row-file-twice"]
    (folder / "t2.wav").unlink()
    (folder / "T1.wav").write_bytes(wave())
    edit_rows(folder, {"3": {"file": "T1.wav"}})
    assert told(checked(folder)) == ["job-file-twins"]


def test_damaged_and_foreign_audio(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    (folder / "t1.wav").write_bytes(b"")
    (folder / "t2.wav").write_bytes(b"no audio at all")
    rules = told(checked(folder))
    assert "row-file-empty" in rules
    assert any(rule.startswith("wav-") for rule in rules)
    (folder / "t2.wav").write_bytes(wave(bits=32, tag=3))
    assert "row-file-bits" in told(checked(folder))


def test_a_waiver_makes_milder_and_hides_nothing(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    edit_rows(folder, {"2": {"channel_use": "mono"}})
    text = "transfer_id,rule,reason,by,at\nT1,row-file-channels,both tracks kept,engineer-1,2031-06-01\n"
    (folder / "waivers.csv").write_text(text, encoding="utf-8")
    finding = next(f for f in checked(folder).findings if f.rule == "row-file-channels")
    assert finding.severity == "warning" and "engineer-1" in finding.what


def test_a_transfer_without_audio_needs_none(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    edit_rows(folder, {"2": {"file": "", "outcome": "no_pcm_found", "outcome_note": "blank tape"}})
    (folder / "t1.wav").unlink()
    assert told(checked(folder)) == []


def test_a_fault_in_the_defaults_is_told_once(tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    replace_text(folder, [("job.toml", 'channel_use = "stereo"', 'channel_use = "sterio"')])
    found = [f for f in checked(folder).findings if f.severity == "error"]
    assert [(f.rule, f.where) for f in found] == [("row-vocabulary", "job.toml, defaults.channel_use")]
    assert "stereo" in found[0].todo
