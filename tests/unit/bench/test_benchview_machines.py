"""What the set-up pages are told: every column of job, defaults, chain and equipment once, where each value
comes from, what is missing; and that what a page saw can be stated over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support.benchjob import World, evening, world

from provpack.errors import ProvpackError
from provpack.jobs.benchview_machines import BY_ITSELF, machine_view, machines_view, place_address
from provpack.jobs.sheetfields import sheet_fields
from provpack.report.bench_pages import Frame, page

PLACES = (("defaults", None), ("chain", "A"), ("equipment", "DECK-1"))


def drawn(made: World, name: str, view: dict[str, Any]) -> str:
    frame = Frame(
        token="t", title=view["title"], path="/machines", by=made.info.by, job="GTR-2026-044",
        n=made.desk.state.n, now=made.now[0].isoformat(),
    )  # fmt: skip
    return page(name, view, frame=frame)


def shown(made: World, scope: str, id_: str | None) -> list[dict[str, Any]]:
    if scope == "job":
        view = machines_view(made.desk, made.info)
        return [*view["fields"], *view["more"]]
    view = machine_view(made.desk, made.info, scope, id_)
    return [*view["first"], *(one for s in view["sections"] for one in s["fields"]), *view["tables"]]


def field(made: World, scope: str, id_: str | None, name: str) -> dict[str, Any]:
    (one,) = [one for one in shown(made, scope, id_) if one["field"] == name]
    return one


@pytest.mark.parametrize(("scope", "id_"), [("job", None), *PLACES])
def test_every_column_is_on_its_page_once(tmp_path: Path, scope: str, id_: str | None) -> None:
    made = world(tmp_path)
    fields = shown(made, scope, id_)
    names = [one["field"] for one in fields]
    assert sorted(names) == sorted(set(getattr(sheet_fields(), scope)) - BY_ITSELF[scope])
    assert all(one["at"] == {"scope": scope, "id": id_} for one in fields)
    if scope == "job":
        html = drawn(made, "machines", machines_view(made.desk, made.info))
    else:
        html = drawn(made, "machine", machine_view(made.desk, made.info, scope, id_))
    assert all(html.count(f'data-live="f-{name}"') == 1 for name in names)
    assert html.count(" data-live=") == len(set(html.split(" data-live=")[1:]))


@pytest.mark.parametrize(
    ("scope", "id_", "name", "value", "sheet"),
    [
        ("job", None, "client", "Ambersund Radio", "job.toml, client"),
        ("defaults", None, "capture_software", "Larkfile 2.7", "job.toml"),
        ("chain", "A", "capture_files", "captures/a/*.wav", "job.toml"),
        ("equipment", "DECK-1", "serial", "9-204118", "equipment.toml, equipment[1]"),
    ],
)
def test_what_the_page_saw_can_be_stated_over_and_taken_back(
    tmp_path: Path, scope: str, id_: str | None, name: str, value: str, sheet: str
) -> None:
    made = world(tmp_path)
    seen = field(made, scope, id_, name)
    assert (seen["origin"], seen["undo"]) == (sheet, None) and seen["was"]
    said = made.act("declared", scope=scope, id=id_, field=name, value=value, was=seen["was"])
    now = field(made, scope, id_, name)
    assert (now["value"], now["undo"]) == (value, said.entry["n"])
    assert now["origin"].startswith("said here 20:31:20 by Ilse Varrow")
    with pytest.raises(ProvpackError) as caught:  # a window that still shows what stood before
        made.act("declared", scope=scope, id=id_, field=name, value="other", was=seen["was"])
    assert caught.value.code == "bench-changed-meanwhile"
    made.act("taken_back", entry=now["undo"])
    assert field(made, scope, id_, name) == seen


def test_a_row_is_added_to_the_services_that_stand_in_the_register(tmp_path: Path) -> None:
    made = world(tmp_path)
    seen = field(made, "equipment", "DECK-2", "service_log")
    assert [row["entry"]["what"] for row in seen["rows"]] == ["Pinch roller replaced."]
    value = [*seen["was"], {"at": "2026-06-12", "what": "Heads cleaned."}]
    made.act("declared", scope="equipment", id="DECK-2", field="service_log", value=value, was=seen["was"])
    assert made.desk.job().equipment["DECK-2"].services == ("2026-05-20", "2026-06-12")
    assert [row["n"] for row in field(made, "equipment", "DECK-2", "service_log")["rows"]] == [0, 1]


def test_no_picture_processing_is_not_the_same_as_nobody_has_said(tmp_path: Path) -> None:
    made = world(tmp_path)
    checked = 'id="f-picture_processing-none" name="none" data-none checked'
    for chain_id, none in (("A", True), ("B", False), ("C", False)):  # [], ["tbc"], not said
        html = drawn(made, "machine", machine_view(made.desk, made.info, "chain", chain_id))
        assert 'id="f-picture_processing-none"' in html
        assert (checked in html) is none, chain_id


def test_lists_say_what_is_wired_what_plays_and_what_is_missing(tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    made.act("declared", scope="chain", id="D", field="deck_id", value="DECK-7")
    notice = {"id": "F-1", "found_at": "2026-06-11", "what": "Left channel falls out."}
    cleared = {**notice, "id": "F-2", "cleared_at": "2026-06-11"}
    made.act(
        "declared", scope="equipment", id="DECK-2", field="fault_notices", value=[notice, cleared]
    )  # fmt: skip
    view = machines_view(made.desk, made.info)
    chains = {one["id"]: one for one in view["chains"]}
    assert list(chains) == ["A", "B", "C", "D"]
    assert (chains["A"]["plays"], chains["B"]["plays"]) == ("T02", "")
    assert chains["A"]["words"] == "DECK-1, DEC-1, CAP-1; input digital 1"
    assert chains["A"]["files"] == "captures/digital-1/*.wav" and chains["B"]["files"] == ""
    machines = {one["id"]: one for one in view["equipment"]}
    assert machines["DECK-2"]["chains"] == ["B", "C"] and machines["DECK-2"]["faults"] == 1
    assert machines["CAP-1"]["chains"] == ["A", "B", "C"] and machines["CAP-1"]["faults"] == 0
    assert view["missing"] == ["DECK-7"]
    assert view["defaults"]["stated"] == 4
    html = drawn(made, "machines", view)
    assert "1 fault not cleared" in html and "not said where its captures appear" in html
    plays = machine_view(made.desk, made.info, "chain", "A")
    assert plays["plays"] == "T02" and "plays on this chain now" in drawn(made, "machine", plays)


def test_hints_name_the_register_and_show_a_pattern(tmp_path: Path) -> None:
    made = world(tmp_path)
    assert field(made, "chain", "A", "deck_id")["hint"] == "In the register: DECK-1, DECK-2."
    assert "captures/digital-1/*.wav" in field(made, "chain", "A", "capture_files")["hint"]
    assert "relative to the job folder" in field(made, "chain", "A", "capture_files")["hint"]
    (made.desk.folder / "equipment.toml").write_text('schema_version = "1.1.0"\n', encoding="utf-8")
    assert field(made, "chain", "A", "deck_id")["hint"].startswith("The register has none yet.")


def test_a_chain_that_was_taken_back_is_told_and_not_made_anew(tmp_path: Path) -> None:
    made = world(tmp_path)
    said = made.act("declared", scope="chain", id="D", field="deck_id", value="DECK-1")
    assert machine_view(made.desk, made.info, "chain", "D")["there"]
    made.act("taken_back", entry=said.entry["n"])
    view = machine_view(made.desk, made.info, "chain", "D")
    assert not view["there"] and shown(made, "chain", "D") == []
    assert "no such chain" in drawn(made, "machine", view)


def test_hostile_names_stay_text_and_lead_to_their_own_page(tmp_path: Path) -> None:
    made = world(tmp_path)
    odd = 'X/1"><script>alert(1)</script>'
    made.act("declared", scope="equipment", id=odd, field="kind", value="deck")
    made.act("declared", scope="chain", id=odd, field="deck_id", value=odd)
    address = place_address("equipment", odd)
    assert address.count("/") == 3 and "<" not in address and '"' not in address
    html = drawn(made, "machines", machines_view(made.desk, made.info))
    assert address in html and "<script>alert" not in html
    for scope in ("chain", "equipment"):
        view = machine_view(made.desk, made.info, scope, odd)
        assert view["there"] and "<script>alert" not in drawn(made, "machine", view)


def test_a_row_that_lacks_a_part_is_refused_in_the_words_of_the_page(tmp_path: Path) -> None:
    made = world(tmp_path)
    for name, value, words in (
        ("fault_notices", [{"what": "Hum."}], "Fault notices / row 1 / Found at: the value 'Found at' is"),
        ("fitted", [{"note": "x"}], "Fitted / row 1: the value needs one of these fields: 'Equipment', 'Cha"),
    ):
        with pytest.raises(ProvpackError) as caught:
            made.act("declared", scope="equipment", id="DECK-1", field=name, value=value)
        assert caught.value.what.startswith(words) and "_" not in caught.value.what, caught.value.what
