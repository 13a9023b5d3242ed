"""Notes of a family: tips where they matter, revisions, and the sets it is used in."""

from __future__ import annotations

import io
import re
from html import unescape

import pictures_made as made
import pytest
from factories import a_case, a_family, bring, exported
from web_client import Client

from kb.model import Attempt, Reading
from kb.service.bench import runs
from kb.service.bench.runs import NewRun
from kb.service.boards import families
from kb.service.cases import files
from kb.service.operate import integrity

TIP = {"place": "part", "name": "c 9", "text": "Looks new and is dry.", "who": "the night shift"}


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(text)))


@pytest.fixture
def bench(client: Client) -> Client:
    fix = Attempt(part="C9", part_class="electrolytic capacitor", section="standby output", result="cured")
    readings = [
        Reading(rail="5VSB", supply="standby", value=4.2),
        Reading(point="TP3", supply="running", value=2.5),
    ]
    bring(
        client.shop,
        a_family("NT-1"),
        a_case("done", "NT-1", attempts=[fix]),
        a_case("board", "NT-1", verdict=None, closed=None, attempts=[fix], readings=readings, revision="b"),
    )
    return client


def add(client: Client, **changed: str) -> object:
    return client.post("/families/NT-1/tips", data=TIP | changed)


def test_a_tip_about_a_part_is_shown_where_that_part_comes_up(bench: Client) -> None:
    assert add(bench).status_code == 303
    said = "Looks new and is dry. the night shift, 2026-11-01"
    for url in ("/families/NT-1", "/cases/board", "/diagnose?family=NT-1&text=dead", "/families/NT-1/notes"):
        assert said.split(".")[0] in words_of(bench.get(url).text), url
    assert said in words_of(bench.get("/families/NT-1").text)


def test_tips_at_a_rail_a_point_a_step_and_the_board_are_shown_there(bench: Client) -> None:
    for place, name, text in (
        ("board", "", "Hidden screw under the label."),
        ("rail", "5 vsb", "Reads 5.3 without a load."),
        ("point", "tp 3", "Only with the heat sink on."),
        ("step", "  THE FUSE ", "The fuse hides under the sleeve."),
    ):
        assert add(bench, place=place, name=name, text=text).status_code == 303
    case = words_of(bench.get("/cases/board").text)
    assert "Hidden screw" in case
    assert "Reads 5.3 without a load." in case
    assert "Only with the heat sink on." in case
    assert "Reads 5.3" in words_of(bench.get("/families/NT-1").text)
    uid = runs.start(bench.shop, NewRun(family="NT-1", isolated=True))
    runs.acknowledge(bench.shop, uid)
    view = runs.view(bench.shop, uid)
    at_rail = next(one.number for one in view.steps if one.step.rail == "5VSB" and one.step.powered)
    assert "Reads 5.3" in words_of(bench.get(f"/bench/{uid}/steps/{at_rail}").text)
    title = view.steps[0].step.title
    add(bench, place="step", name=title.upper(), text="Said at this very step.")
    page = bench.get(f"/bench/{uid}/steps/1")
    assert "Said at this very step." in words_of(page.text)
    assert "/families/NT-1/notes?place=step" in unescape(page.text)


def test_a_tip_is_taken_off_and_the_history_keeps_it(bench: Client) -> None:
    add(bench)
    record, version = families.get(bench.shop, "NT-1")
    (tip,) = record.tips
    data = {"place": tip.place, "name": tip.name, "text": tip.text, "remove": "yes"}
    assert bench.post("/families/NT-1/tips", data=data).status_code == 303
    after, newer = families.get(bench.shop, "NT-1")
    assert (after.tips, newer) == ([], version + 1)
    assert bench.post("/families/NT-1/tips", data=data).status_code == 422
    assert "Looks new" in words_of(bench.get("/families/NT-1/history").text)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"text": "  "}, "text"),
        ({"name": ""}, "name"),
        ({"place": "moon"}, "place"),
        ({"name": "x" * 201}, "name"),
    ],
)
def test_a_tip_that_says_nothing_or_nowhere_is_refused_at_its_field(
    bench: Client, changed: dict[str, str], field: str
) -> None:
    answer = add(bench, **changed)
    assert answer.status_code == 422
    assert f'href="#f-{field}"' in answer.text
    assert families.get(bench.shop, "NT-1")[0].tips == []


def test_revisions_and_sets_are_typed_a_line_each_and_come_back_as_they_were(bench: Client) -> None:
    version = str(families.get(bench.shop, "NT-1")[1])
    typed = {
        "revisions": "A: first\nB: C9 is 1000 µF",
        "used_in": "Norvik; FD-32\nticket machine",
        "version": version,
    }
    assert bench.post("/families/NT-1/notes", data=typed).status_code == 303
    record = families.get(bench.shop, "NT-1")[0]
    assert [(one.name, one.differs) for one in record.revisions] == [("A", "first"), ("B", "C9 is 1000 µF")]
    assert [(one.brand, one.device) for one in record.used_in] == [
        ("Norvik", "FD-32"),
        ("", "ticket machine"),
    ]
    page = bench.get("/families/NT-1/notes").text
    assert "A: first\nB: C9 is 1000 µF" in unescape(page)
    assert "Norvik; FD-32\nticket machine" in unescape(page)
    assert "Norvik FD-32" in words_of(bench.get("/families/NT-1").text)
    assert "Revision B: C9 is 1000 µF" in words_of(bench.get("/cases/board").text)
    late = bench.post("/families/NT-1/notes", data=typed)
    assert late.status_code == 422
    twice = typed | {"revisions": "A: x\na: y", "version": str(families.get(bench.shop, "NT-1")[1])}
    assert bench.post("/families/NT-1/notes", data=twice).status_code == 422


def test_the_family_form_keeps_what_is_noted_elsewhere(bench: Client) -> None:
    add(bench)
    page = bench.get("/families/NT-1/edit").text
    kept = re.search(r'name="kept" value="([^"]*)"', page)
    assert kept
    data = {"version": "2", "kept": unescape(kept[1]), "kind": "battery charger", "save": "yes"}
    assert bench.post("/families/NT-1", data=data).status_code == 303
    record = families.get(bench.shop, "NT-1")[0]
    assert (record.kind, len(record.tips)) == ("battery charger", 1)
    assert '"tips":[{"place":"part","name":"c 9"' in exported(bench.shop)
    assert integrity.check(bench.shop).faults == []


def test_a_document_of_a_case_is_put_on_the_family_and_taken_off_again(bench: Client) -> None:
    kept = files.add(
        bench.shop, "done", [("plan.pdf", io.BytesIO(made.pdf())), ("c9.jpg", io.BytesIO(made.jpeg()))]
    )
    paper, photo = (one.uid for one in kept.kept)
    page = bench.get("/families/NT-1/notes").text
    assert f'value="{paper}"' in page
    assert f'value="{photo}"' not in page
    assert bench.post("/families/NT-1/documents", data={"file": paper}).status_code == 303
    assert "plan.pdf" in words_of(bench.get("/families/NT-1").text)
    assert f"/cases/done/photos/{paper}" in bench.get("/families/NT-1/notes").text
    for file in (paper, photo, "", "no-such"):
        refused = bench.post("/families/NT-1/documents", data={"file": file})
        assert refused.status_code == 422
        assert "No case of this family has such a document." in words_of(refused.text)
    assert '"documents":[{"case":"done"' in exported(bench.shop)
    assert bench.post("/families/NT-1/documents", data={"remove": paper}).status_code == 303
    assert families.get(bench.shop, "NT-1")[0].documents == []
    assert integrity.check(bench.shop).faults == []
