"""What the intake pages are told: states in words, origins of values, cautions, every field, the receipt."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from support.benchjob import World, evening, world

from provpack.jobs.benchview_intake import ABOUT, carrier_view, carriers_view, receipt_view
from provpack.jobs.sheetfields import sheet_fields
from provpack.report.bench_pages import Frame, page


def drawn(made: World, name: str, view: dict[str, Any]) -> str:
    frame = Frame(
        token="t", title=view["title"], path="/", by=made.info.by, job="GTR-2026-044", n=made.desk.state.n,
        now=made.now[0].isoformat(),
    )  # fmt: skip
    return page(name, view, frame=frame)


def fields_of(view: dict[str, Any]) -> dict[str, dict[str, Any]]:
    found = [*view["about"], *view["condition"], view["treatments"], view["custody"]]
    found += [one for section in view["sections"] for one in section["fields"]]
    return {one["field"]: one for one in found}


def test_states_of_carriers_are_words(tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    listed = {one["id"]: one["words"] for one in carriers_view(made.desk, made.info)["carriers"]}
    assert listed["T01"] == "pass 1 played, no file attached yet"
    assert listed["T02"].startswith("running on A since ")
    assert listed["T03"].startswith("taken in ")
    made.act("judged", transfer_id="T01", **{"pass": 1}, verdict="accepted")
    listed = {one["id"]: one["words"] for one in carriers_view(made.desk, made.info)["carriers"]}
    assert listed["T01"] == "pass 1 accepted"
    sealed = made.desk.sealed("T01")
    assert sealed is None


def test_carriers_of_a_sheet_are_listed_and_known_by_every_identifier(tmp_path: Path) -> None:
    made = world(tmp_path)
    sheet = "transfer_id,carrier_id,title\nT09,K-0499,Duo for viola and horn\n"
    (made.desk.folder / "transfers.csv").write_text(sheet, encoding="utf-8")
    view = carriers_view(made.desk, made.info)
    row = next(one for one in view["carriers"] if one["id"] == "T09")
    assert row["words"] == "in the sheet, not taken in yet" and not row["taken"]
    assert view["known"]["K-0499"] == [{"id": "T09", "taken": False}]
    assert view["known"]["K-0411"] == [{"id": "T01", "taken": True}]
    title = fields_of(carrier_view(made.desk, made.info, "T09"))["title"]
    assert title["origin"] == "transfers.csv, row 2, column title" and title["undo"] is None
    assert "Take T09 in" in drawn(made, "carriers", view)


def test_origins_in_words(tmp_path: Path) -> None:
    made = world(tmp_path)
    made.act("declared", scope="transfer", id="T01", field="chain", value="A")
    fields = fields_of(carrier_view(made.desk, made.info, "T01"))
    assert fields["title"]["origin"].startswith("said here 20:30:00 by Ilse Varrow")
    assert fields["title"]["undo"] is not None
    assert fields["capture_software"]["origin"].startswith("default of the job: job.toml")
    assert fields["decoder_mode"]["origin"].startswith("chain A: job.toml")
    assert fields["label_transcription"]["origin"] == ""


def test_every_field_of_a_transfer_is_on_the_page_once(tmp_path: Path) -> None:
    made = world(tmp_path)
    view = carrier_view(made.desk, made.info, "T01")
    names = [
        one["field"] for one in (*view["about"], *view["condition"], view["treatments"], view["custody"])
    ]
    names += [one["field"] for section in view["sections"] for one in section["fields"]]
    names += [group["field"] for group in view["photos"]] + ["transfer_id"]
    assert sorted(names) == sorted(sheet_fields().transfer)
    html = drawn(made, "carrier", view)
    assert all(f'id="f-{name}"' in html for name in ABOUT)


def test_what_the_page_saw_can_be_stated_over(tmp_path: Path) -> None:
    made = world(tmp_path)
    for name, value in (("title", "Nocturne"), ("capture_software", "Larkfile 2.7")):
        seen = fields_of(carrier_view(made.desk, made.info, "T01"))[name]
        made.act("declared", scope="transfer", id="T01", field=name, value=value, was=seen["was"])
        assert fields_of(carrier_view(made.desk, made.info, "T01"))[name]["value"] == value


def test_mould_is_told_in_list_and_page(tmp_path: Path) -> None:
    made = world(tmp_path)
    assert "do not play it: playing" not in drawn(made, "carrier", carrier_view(made.desk, made.info, "T01"))
    made.act("declared", scope="transfer", id="T01", field="condition_terms", value=["mould_suspected"])
    view = carrier_view(made.desk, made.info, "T01")
    html = drawn(made, "carrier", view)
    assert view["has_mould"] and "isolate it, do not play it" in html and "specialists" in html
    assert "mould: isolate, do not play" in drawn(made, "carriers", carriers_view(made.desk, made.info))


def test_a_sticky_tape_leads_to_the_caution_about_heat(tmp_path: Path) -> None:
    made = world(tmp_path)
    plain = drawn(made, "carrier", carrier_view(made.desk, made.info, "T01"))
    assert "before anything is heated" not in plain and "Cassettes have plastics" in plain
    made.act("declared", scope="transfer", id="T01", field="condition_terms", value=["sticky"])
    assert "before anything is heated" in drawn(made, "carrier", carrier_view(made.desk, made.info, "T01"))


def test_a_carrier_nobody_knows_is_offered_to_be_taken_in(tmp_path: Path) -> None:
    made = world(tmp_path)
    view = carrier_view(made.desk, made.info, "T77")
    assert not view["there"] and "Take T77 in" in drawn(made, "carrier", view)


def test_receipt_says_what_was_handed_over(tmp_path: Path) -> None:
    made = world(tmp_path)
    made.act("declared", scope="transfer", id="T01", field="condition_terms", value=["edge_damage"])
    made.act("declared", scope="transfer", id="T01", field="label_transcription", value="Side  A\n2 / 3")
    event = {
        "type": "received", "from": "Ambersund Chamber Archive", "to": "Ilse Varrow",
        "at": "2026-06-12T20:20:00+02:00", "items": ["K-0411"],
    }  # fmt: skip
    made.act("declared", scope="transfer", id="T01", field="custody_events", value=[event])
    view = receipt_view(made.desk, made.info, ("T01",))
    assert [one["id"] for one in view["items"]] == ["T01"]
    assert view["handed"][0]["at_words"] == "20:20:00" and view["handed"][0]["to"] == "Ilse Varrow"
    html = drawn(made, "receipt", view)
    assert '<bdi class="as-written">Side  A\n2 / 3</bdi>' in html  # blanks and lines as on the carrier
    assert "edge damage" in html and "personal data" in html and html.count("sign-line") == 2
    assert len(receipt_view(made.desk, made.info, ())["items"]) == 4


def test_hostile_texts_stay_text(tmp_path: Path) -> None:
    made = world(tmp_path)
    made.act("declared", scope="transfer", id="T01", field="title", value='"><script>alert(1)</script>')
    for name, view in (
        ("carriers", carriers_view(made.desk, made.info)),
        ("carrier", carrier_view(made.desk, made.info, "T01")),
        ("receipt", receipt_view(made.desk, made.info, ("T01",))),
    ):
        assert "<script>alert" not in drawn(made, name, view)


def test_a_carrier_with_many_events_has_a_page_that_grows_with_them_only(tmp_path: Path) -> None:
    """What was seen of a list goes to the page once, not again with each of its rows."""
    made = world(tmp_path)
    made.start("T01", "A")
    for n in range(30):
        made.after(20)
        made.act("event", transfer_id="T01", **{"pass": 1}, type="mute", note=f"heard it, number {n:02}.")
    view = carrier_view(made.desk, made.info, "T01")
    assert len(fields_of(view)["transfer_events"]["rows"]) == 30
    html = drawn(made, "carrier", view)
    assert {html.count(f"number {n:02}.") for n in range(30)} == {2}  # what was seen, and the row's own input
