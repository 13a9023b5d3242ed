"""Taking records out and sharing them, as the pages and the API do it."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterator

import pytest
from factories import a_case, a_family, bring, exported, fresh_shop
from web_client import Client, Page, error_of


@pytest.fixture
def shop() -> Iterator[Client]:
    made = Client(fresh_shop())
    private = a_case("anna-1", complaint="Anna says the relay ticks", customer="Anna Quayle")
    assert bring(made.shop, a_family(), private, a_case("two", complaint="hums")).saved
    yield made
    made.close()


def test_the_whole_store_and_a_search_result_are_taken_out_from_pages(shop: Client) -> None:
    found = shop.get("/search?q=hums&family=GL-31")
    assert 'href="/data/take-out?q=hums&amp;family=GL-31"' in found.text
    page = shop.get("/data/take-out?q=hums&family=GL-31")
    assert "1 case as found" in page.text
    form = Page(page.text).form("/data/take-out/file")
    assert (form["q"], form["family"], form["format"]) == ("hums", "GL-31", "jsonl")
    answer = shop.get("/data/take-out/file", params=form)
    assert answer.headers["content-disposition"].startswith('attachment; filename="board-faults-found-')
    assert [json.loads(line).get("uid") for line in answer.text.splitlines()][-1] == "two"
    whole = shop.get(
        "/data/take-out/file", params=Page(shop.get("/data/take-out").text).form("/data/take-out/file")
    )
    assert whole.text == exported(shop.shop)


def test_the_api_takes_out_every_format(shop: Client) -> None:
    assert shop.get("/api/export").text == exported(shop.shop)
    sheet = shop.get("/api/export?format=csv&family=GL-31")
    assert sheet.headers["content-type"] == "text/csv; charset=utf-8"
    assert sheet.content.startswith(b"\xef\xbb\xbfuid,")
    assert len(shop.get("/api/export?format=attempts").text.splitlines()) == 3
    package = zipfile.ZipFile(io.BytesIO(shop.get("/api/export?format=package").content))
    assert json.loads(package.read("datapackage.json"))["profile"] == "tabular-data-package"
    assert error_of(shop.get("/api/export?format=pdf"))["field"] == "format"


def test_sharing_shows_everything_before_it_writes_anything(shop: Client) -> None:
    form = Page(shop.get("/data/share").text).form("/data/share")
    form["name"] = "Harbour bench"
    shown = shop.post("/data/share", data=form)
    assert "2 cases of 1 board family. Masked: 1 name." in shown.text
    assert "[name] says the relay ticks" in shown.text
    form = Page(shown.text).form("/data/share") | {"leave": "two"}
    without = shop.post("/data/share", data=form)
    assert "1 case of 1 board family" in without.text
    assert "Left out: 1 case." in without.text
    form = Page(without.text).form("/data/share")
    assert form["left"] == "two"
    answer = shop.post("/data/share/file", data=form)
    assert answer.headers["content-disposition"].startswith('attachment; filename="shared-board-faults-')
    records = [json.loads(line) for line in answer.text.splitlines()]
    assert [one["record"] for one in records] == ["origin", "symptom", "part_class", "family", "case"]
    assert "nna" not in answer.text
    assert Page(shop.get("/data/share").text).form("/data/share")["name"] == "Harbour bench"
    again = shop.post("/data/share", data=form | {"again": "yes"})
    assert "2 cases of 1 board family" in again.text


def test_sharing_without_a_name_is_refused_at_the_field_and_keeps_the_rest(shop: Client) -> None:
    form = Page(shop.get("/data/share").text).form("/data/share") | {"name": " ", "words": "ticks"}
    answer = shop.post("/data/share/file", data=form)
    assert answer.status_code == 422
    assert "Give the name that other shops shall see." in answer.text
    assert Page(answer.text).form("/data/share")["words"] == "ticks"
    assert "the relay [name]" in answer.text


def test_an_import_page_tells_of_the_other_shop(shop: Client) -> None:
    there = Client(fresh_shop())
    assert bring(there.shop, a_family(mains_v=120.0)).saved
    form = Page(shop.get("/data/share").text).form("/data/share") | {"name": "Harbour bench"}
    data = shop.post("/data/share/file", data=form).content
    answer = there.post("/data/import", files={"file": ("shared.jsonl", data)})
    assert answer.status_code == 200, answer.text
    assert "From Harbour bench, whose cases they stay." in answer.text
    back = shop.post("/data/import", files={"file": ("shared.jsonl", data)})
    assert "2 cases of your own came back and were left as they are." in back.text
    there.close()
