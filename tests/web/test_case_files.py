"""Photographs and files of a case, through the pages and the API."""

from __future__ import annotations

import io
import os
import re
from typing import Any

import httpx
import pictures_made as made
import pytest
from factories import a_case, a_family, bring, fresh_shop
from PIL import Image
from test_security import check_page
from web_client import Client, Page, error_of

from kb.service.cases import files

JPEG = made.jpeg()


def upload(client: Client, *sent: tuple[str, bytes], case: str = "one", **options: Any) -> httpx.Response:
    given = [("file", (name, content, "image/gif")) for name, content in sent]
    return client.post(f"/api/cases/{case}/files", files=given, **options)


def first_file(client: Client, content: bytes = JPEG) -> dict[str, Any]:
    answer = upload(client, ("IMG_1.jpg", content))
    assert answer.status_code == 201, answer.text
    return dict(answer.json()["files"][0])


def test_a_picture_is_sent_kept_and_served_under_the_type_that_was_proved(client: Client) -> None:
    told = first_file(client)
    assert told["media_type"] == "image/jpeg"
    assert (told["width_px"], told["height_px"]) == (64, 40)
    answer = client.get(f"/cases/one/files/{told['file']}")
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["content-security-policy"].startswith("default-src 'none'; sandbox")
    assert answer.headers["cache-control"] == "private, max-age=31536000, immutable"
    assert answer.headers["etag"] == f'"{told["sha256"]}"'
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert re.fullmatch(
        r'inline; filename="case-one-[0-9a-f]{8}\.jpg"', answer.headers["content-disposition"]
    )
    assert Image.open(io.BytesIO(answer.content)).size == (64, 40)
    for secret in made.SECRETS:
        assert secret not in answer.content
    small = client.get(f"/cases/one/files/{told['file']}/small")
    assert small.headers["content-type"] == "image/webp"
    assert client.get(f"/api/cases/one/files/{told['file']}/content").content == answer.content


@pytest.mark.parametrize("where", ["/cases/one/files/{}", "/cases/one/files/{}/small"])
def test_who_holds_the_bytes_is_not_sent_them_again(client: Client, where: str) -> None:
    address = where.format(first_file(client)["file"])
    tag = client.get(address).headers["etag"]
    again = client.get(address, headers={"If-None-Match": f'"other", W/{tag}'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert client.get(address, headers={"If-None-Match": '"other"'}).status_code == 200


def test_a_document_is_handed_out_and_never_shown(client: Client) -> None:
    sent = made.pdf()
    told = first_file(client, sent)
    answer = client.get(f"/cases/one/files/{told['file']}")
    assert answer.content == sent
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-disposition"].startswith('attachment; filename="case-one-')
    assert "sandbox" in answer.headers["content-security-policy"]
    assert client.get(f"/cases/one/files/{told['file']}/small").status_code == 404
    page = client.get(f"/cases/one/photos/{told['file']}").text
    assert "Save the document" in page
    assert "<embed" not in page
    assert "<iframe" not in page


def test_only_what_the_case_refers_to_is_served(client: Client) -> None:
    told = first_file(client)
    orphan = client.shop.files.put(b"\xff\xd8\xff of nobody")
    for address in (
        f"/cases/one/files/{told['sha256']}",
        f"/cases/one/files/{orphan}",
        f"/cases/two/files/{told['file']}",
        "/cases/one/files/..%2f..%2fstore.sqlite3",
        f"/api/cases/two/files/{told['file']}/content",
    ):
        assert client.get(address).status_code == 404, address


def test_one_bad_file_among_several_does_not_lose_the_others(client: Client) -> None:
    svg = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
    answer = upload(
        client,
        ("a.jpg", JPEG),
        ("../../evil.jpg", svg),
        ("huge.png", made.claimed_png(30_000, 30_000)),
        ("b.png", made.png()),
    )
    assert answer.status_code == 201
    body = answer.json()
    assert [one["original_name"] for one in body["files"]] == ["a.jpg", "b.png"]
    assert [one["name"] for one in body["refused"]] == ["evil.jpg", "huge.png"]
    assert "SVG" in body["refused"][0]["message"]
    assert "30,000 × 30,000" in body["refused"][1]["message"]
    page = client.post(
        "/cases/one/photos", files=[("file", ("x.jpg", svg)), ("file", ("c.webp", made.webp()))]
    )
    assert page.status_code == 200
    assert "1 file is kept" in page.text
    assert "One file was not kept" in page.text
    assert "SVG drawing" in page.text
    assert len(files.of_case(client.shop, "one").kept) == 3
    check_page(page.text)


def test_where_none_can_be_kept_the_first_reason_is_the_error(client: Client) -> None:
    answer = upload(client, ("x.jpg", b"GIF89a"), ("y.jpg", b""))
    assert answer.status_code == 422
    body = answer.json()
    assert body["error"]["field"] == "file"
    assert "a GIF picture" in body["error"]["message"]
    assert [one["name"] for one in body["refused"]] == ["x.jpg", "y.jpg"]
    assert client.post("/cases/one/photos", files=[("file", ("x.jpg", b"GIF89a"))]).status_code == 422
    assert files.of_case(client.shop, "one").kept == ()


def test_more_than_may_come_at_once_are_each_told_and_the_first_are_kept(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "MOST_AT_ONCE", 2)
    sent = [(f"{number}.png", made.saved(made.marked(8 + number, 8), "PNG")) for number in range(3)]
    body = upload(client, *sent).json()
    assert [one["original_name"] for one in body["files"]] == ["0.png", "1.png"]
    assert "one too many: 2 files are taken at once" in body["refused"][0]["message"]


def test_a_flood_of_files_is_refused_with_the_reason(client: Client) -> None:
    sent = [("file", (f"{number}.png", b"x")) for number in range(201)]
    answer = client.post("/cases/one/photos", files=sent)
    assert answer.status_code == 422
    assert "More than 200 files were sent at once" in answer.text


def test_more_bytes_than_the_setting_allows_are_refused() -> None:
    client = Client(fresh_shop(max_upload_mb=1))
    assert bring(client.shop, a_family(), a_case("one")).saved
    answer = upload(client, ("x.jpg", b"\xff\xd8\xff" + b"\x00" * 1_100_000))
    assert answer.status_code == 413
    assert "larger than 1 MB" in error_of(answer)["message"]
    assert client.post("/cases/one/photos", files=[("file", ("x", b"\x00" * 1_100_000))]).status_code == 413
    client.close()


def test_nothing_chosen_is_told_and_a_case_that_is_not_there_is_not_found(client: Client) -> None:
    assert "No file was chosen" in client.post("/cases/one/photos", files=[("file", ("", b""))]).text
    assert client.post("/api/cases/one/files").status_code == 422
    assert upload(client, ("x.jpg", JPEG), case="nobody").status_code == 404
    for address in ("/cases/nobody/photos", "/api/cases/nobody/files", "/cases/one/photos/none"):
        assert client.get(address).status_code == 404


@pytest.mark.parametrize(
    "name",
    ["../../x.jpg", "a\r\nSet-Cookie: x.jpg", "\u202egpj.exe", "⚡.jpg", "n" * 300 + ".jpg", '"><script>'],
)
def test_a_name_is_shown_as_text_and_goes_nowhere_else(client: Client, name: str) -> None:
    told = files.add(client.shop, "one", [(name, io.BytesIO(JPEG))]).kept[0]
    page = client.get(f"/cases/one/photos/{told.uid}")
    assert page.status_code == 200
    check_page(page.text)
    assert "<script>" not in page.text.replace('<script type="module"', "")
    assert "set-cookie" not in client.get(f"/cases/one/files/{told.uid}").headers
    kept = {path.name for path in client.shop.files.folder.rglob("*") if path.is_file()}
    assert all(re.fullmatch(r"[0-9a-f]{64}(-small)?", one) for one in kept)


def test_the_case_page_shows_its_files_and_takes_them_without_javascript(client: Client) -> None:
    empty = client.get("/cases/one").text
    assert 'action="/cases/one/photos"' in empty
    assert 'enctype="multipart/form-data"' in empty
    answer = client.post("/cases/one/photos", files=[("file", ("a.jpg", JPEG)), ("file", ("", b""))])
    assert answer.status_code == 303
    assert "1 file is kept" in client.get(answer.headers["location"]).text
    uid = files.of_case(client.shop, "one").kept[0].uid
    assert f"/cases/one/files/{uid}/small" in client.get("/cases/one").text
    check_page(client.get("/cases/one").text)


def test_the_phone_page_leads_with_the_camera(client: Client) -> None:
    page = client.get("/cases/one/photos").text
    inputs = [given for tag, given in Page(page).tags if tag == "input" and given.get("type") == "file"]
    assert inputs[0]["capture"] == "environment"
    assert inputs[0]["accept"] == "image/*"
    assert "multiple" in inputs[1]
    assert "capture" not in inputs[1]


def test_a_caption_is_changed_on_the_version_that_was_seen(client: Client) -> None:
    uid = first_file(client)["file"]
    address = f"/cases/one/photos/{uid}"
    form = Page(client.get(address).text).form(address)
    assert client.post(address, data={**form, "caption": "C9 bulged"}).status_code == 303
    assert "C9 bulged" in client.get("/cases/one").text
    stale = client.post(address, data={**form, "caption": "C12 bulged"})
    assert stale.status_code == 409
    assert "Somebody else changed" in stale.text
    assert 'value="C12 bulged"' in stale.text
    assert files.stored(client.shop, "one", uid).caption == "C9 bulged"
    long = client.post(address, data={"version": "2", "caption": "x" * 201})
    assert long.status_code == 422
    assert "Caption is longer than 200 characters" in long.text


MARKS = [
    {"kind": "circle", "x": "25", "y": "50,5 %", "size": "10"},
    {"kind": "arrow", "x": "0", "y": "0", "to_x": "100", "to_y": "100", "size": ""},
    {"kind": "text", "x": "90", "y": "10", "text": '<b>bulged</b> & "dry"'},
]


def test_marks_are_drawn_from_numbers_and_removed(client: Client) -> None:
    uid = first_file(client)["file"]
    address = f"/cases/one/photos/{uid}"
    for mark in MARKS:
        assert client.post(f"{address}/marks", data=mark).status_code == 303
    page = client.get(address).text
    assert '<circle class="drawn__line" cx="250.0" cy="315.6" r="100.0"/>' in page
    assert "M0.0 0.0 1000.0 625.0" in page
    assert "&lt;b&gt;bulged&lt;/b&gt; &amp; &#34;dry&#34;" in page
    assert 'text-anchor="end"' in page
    assert "Circle, 25 % from the left, 50 % from the top" in page
    check_page(page)
    check_page(client.get("/cases/one").text)
    body = client.get(f"/api/cases/one/files/{uid}").json()
    assert body["marks"] == [
        {"kind": "circle", "x": 0.25, "y": 0.505, "size": 0.1},
        {"kind": "arrow", "x": 0.0, "y": 0.0, "to_x": 1.0, "to_y": 1.0},
        {"kind": "text", "x": 0.9, "y": 0.1, "text": '<b>bulged</b> & "dry"'},
    ]
    stale = client.post(f"{address}/marks/remove", data={"mark": "0", "version": "1"})
    assert stale.status_code == 409
    assert client.post(f"{address}/marks/remove", data={"mark": "0", "version": "4"}).status_code == 303
    assert [one.kind for one in files.stored(client.shop, "one", uid).marks] == ["arrow", "text"]
    assert len(files.history(client.shop, uid)) == 4


@pytest.mark.parametrize(
    ("mark", "field", "why"),
    [
        ({"kind": "circle", "x": "25", "y": "50"}, "size", "Radius is missing"),
        ({"kind": "circle", "x": "101", "y": "50", "size": "1"}, "x", "not a number of per cent"),
        ({"kind": "circle", "x": "1e1", "y": "50", "size": "1"}, "x", "not a number of per cent"),
        ({"kind": "circle", "x": "-1", "y": "50", "size": "1"}, "x", "not a number of per cent"),
        ({"kind": "circle", "x": "1", "y": "50", "size": "0"}, "size", "below"),
        (
            {"kind": "arrow", "x": "25", "y": "50", "to_x": "25", "to_y": "50"},
            "to_x",
            "where the arrow begins",
        ),
        ({"kind": "text", "x": "25", "y": "50"}, "text", "missing for a text"),
        ({"kind": "text", "x": "25", "y": "50", "text": "x" * 61}, "text", "longer than 60"),
        ({"kind": "heart", "x": "25", "y": "50"}, "kind", "not one of the allowed values"),
        ({}, "x", "missing"),
    ],
)
def test_a_mark_that_cannot_be_drawn_is_told_at_its_field_and_keeps_what_was_typed(
    client: Client, mark: dict[str, str], field: str, why: str
) -> None:
    uid = first_file(client)["file"]
    answer = client.post(f"/cases/one/photos/{uid}/marks", data=mark)
    assert answer.status_code == 422
    assert why in answer.text
    assert f'href="#f-{field}"' in answer.text
    if mark.get("x"):
        assert f'value="{mark["x"]}"' in answer.text
    assert files.stored(client.shop, "one", uid).marks == ()


def test_a_picture_carries_no_more_marks_than_can_be_seen(client: Client) -> None:
    uid = first_file(client)["file"]
    marks = [{"kind": "circle", "x": 0.5, "y": 0.5, "size": 0.1}] * 50
    address = f"/api/cases/one/files/{uid}"
    assert client.call("PUT", address, json={"marks": marks}, headers={"If-Match": '"1"'}).status_code == 200
    answer = client.post(f"/cases/one/photos/{uid}/marks", data=MARKS[0])
    assert answer.status_code == 422
    assert "limit 50" in answer.text


def test_a_removed_file_is_gone_from_the_case_and_can_be_taken_back(client: Client) -> None:
    uid = first_file(client)["file"]
    answer = client.post(f"/cases/one/photos/{uid}/bin")
    assert answer.headers["location"] == "/cases/one?saved=file-removed#photos"
    assert files.of_case(client.shop, "one").kept == ()
    page = client.get("/cases/one?saved=file-removed").text
    assert "1 removed file" in page
    assert "was removed from its case" in client.get(f"/cases/one/photos/{uid}").text
    assert f"/cases/one/photos/{uid}/restore" in page
    assert client.post(f"/cases/one/photos/{uid}/restore").status_code == 303
    assert [one.uid for one in files.of_case(client.shop, "one").kept] == [uid]


def test_the_api_lists_changes_and_removes(client: Client) -> None:
    told = first_file(client)
    address = f"/api/cases/one/files/{told['file']}"
    got = client.get(address)
    assert got.headers["etag"] == '"1"'
    assert got.json() == client.get("/api/cases/one/files").json()["files"][0] == told
    words = {"caption": "C9", "marks": [{"kind": "circle", "x": 0.5, "y": 0.5, "size": 0.1}]}
    assert client.call("PUT", address, json=words).status_code == 428
    changed = client.call("PUT", address, json=words, headers={"If-Match": '"1"'})
    assert (changed.status_code, changed.headers["etag"]) == (200, '"2"')
    assert changed.json()["caption"] == "C9"
    assert client.call("PUT", address, json=words, headers={"If-Match": '"1"'}).status_code == 412
    bad = client.call("PUT", address, json={"marks": [{"kind": "circle"}]}, headers={"If-Match": '"2"'})
    assert error_of(bad)["field"] == "marks.0.x"
    assert client.call("DELETE", address, headers={"If-Match": '"1"'}).status_code == 412
    assert client.call("DELETE", address).status_code == 204
    for method in ("GET", "DELETE"):
        assert client.call(method, address).status_code == 404
    assert client.get("/api/cases/one/files").json() == {"files": []}


def test_sent_again_after_a_broken_connection_it_is_one_file(client: Client) -> None:
    assert first_file(client)["file"] == first_file(client)["file"]
    assert len(files.of_case(client.shop, "one").kept) == 1


def test_a_missing_or_damaged_file_is_told_and_the_small_picture_is_made_again(client: Client) -> None:
    told = first_file(client)
    assert files.faults(client.shop) == (1, [])
    client.shop.files.derived_path(told["sha256"], "small").unlink()
    assert client.get(f"/cases/one/files/{told['file']}/small").status_code == 200
    assert client.shop.files.derived_path(told["sha256"], "small").exists()
    path = client.shop.files.path(told["sha256"])
    path.write_bytes(b"x")
    assert "damaged" in files.faults(client.shop)[1][0]
    path.unlink()
    assert "missing" in files.faults(client.shop)[1][0]
    answer = client.get(f"/cases/one/files/{told['file']}")
    assert answer.status_code == 503
    assert "Restore it from a backup" in answer.text
    assert client.get("/cases/one").status_code == 200


def test_a_sweep_leaves_what_cases_refer_to(client: Client) -> None:
    told = first_file(client)
    orphan = client.shop.files.put(b"orphan")
    for content in (told["sha256"], orphan):
        os.utime(client.shop.files.path(content), (1, 1))
    assert files.sweep(client.shop) == [orphan]
    assert client.get(f"/cases/one/files/{told['file']}").status_code == 200


def test_a_write_from_another_web_page_is_refused(client: Client) -> None:
    uid = first_file(client)["file"]
    foreign = {"Sec-Fetch-Site": "cross-site"}
    for address in (
        "/cases/one/photos",
        f"/cases/one/photos/{uid}",
        f"/cases/one/photos/{uid}/marks",
        f"/cases/one/photos/{uid}/bin",
        "/api/cases/one/files",
    ):
        assert client.post(address, headers=foreign, data={"x": "y"}).status_code == 403
