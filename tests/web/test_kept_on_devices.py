"""What a browser may keep on its device: for whom, with which key, and which pages."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator

import pytest
from signed_in import Office
from web_client import HOST, Client

from kb import assets
from kb.store.records import sent_once
from kb.web.guard import access
from kb.web.guard.kept import FILES, FOR, PAGES, DeviceKeys, static_files

# Nothing of these is kept: what opens accounts, and what takes the store or a part of it out.
SECRET = (
    "/account",
    "/people",
    "/sign-",
    "/set-up",
    "/open",
    "/data",
    "/api",
    "/metrics",
    "/jobs",
    "/reports",
)


@pytest.fixture
def office() -> Iterator[Office]:
    made = Office()
    yield made
    made.close()


def test_the_list_of_what_may_be_kept_names_addresses_that_there_are(client: Client) -> None:
    assert {route.path for route in access.routes_of(client.app)} >= PAGES
    assert not [path for path in PAGES if path.startswith(SECRET)]


def test_every_page_beyond_the_list_says_nothing_of_whom_it_may_be_kept_for(office: Office) -> None:
    headers = office.signed_in("administer")
    for path in (
        "/account",
        "/people",
        "/people/audit",
        "/data/backups",
        "/data/share",
        "/data/take-out",
        "/help/running",
    ):
        answer = office.get(path, headers=headers)
        assert answer.status_code == 200, path
        assert FOR not in answer.headers, path
        assert 'data-page="yes"' not in answer.text, path


def test_a_kept_page_names_its_person_and_stays_out_of_shared_caches(office: Office) -> None:
    one, other = office.signed_in("work"), office.signed_in("read")
    mine, again, theirs = (office.get("/families", headers=who) for who in (one, one, other))
    assert re.fullmatch(r"[0-9a-f]{16}", mine.headers[FOR])
    assert mine.headers[FOR] == again.headers[FOR] != theirs.headers[FOR]
    assert mine.headers[FILES] == static_files()[1]
    assert mine.headers["cache-control"] == "no-store"
    assert f'<meta name="kept-for" content="{mine.headers[FOR]}" data-page="yes">' in mine.text
    assert "bench 1" not in mine.headers[FOR]


def test_the_sign_in_page_says_that_nobody_is_there_any_more(office: Office) -> None:
    assert office.get("/sign-in").headers[FOR] == "nobody"
    assert FOR not in office.get("/static/css/sheet.css").headers
    assert (
        FOR not in office.get("/families", headers={"Accept": "text/html"}).headers
    )  # led to the sign-in page


def test_a_key_is_given_to_whoever_is_signed_in_and_to_nobody_else(office: Office) -> None:
    keys = {}
    for level in ("read", "work"):
        headers = office.signed_in(level)
        answer = office.get("/waiting/key", headers=headers)
        assert answer.headers["cache-control"] == "no-store"
        given = answer.json()
        assert given["person"] == office.get("/families", headers=headers).headers[FOR]
        assert (
            given == office.get("/waiting/key", headers=office.signed_in(level)).json()
        )  # another session of theirs
        keys[level] = base64.b64decode(given["key"])
        assert len(keys[level]) == 32
    assert keys["read"] != keys["work"]
    assert office.get("/waiting/key").status_code == 401
    assert office.get("/waiting/key", headers=office.with_token("work", "work")).status_code == 401


def test_another_secret_makes_other_keys_and_names(office: Office) -> None:
    one, other = DeviceKeys("one secret"), DeviceKeys("another")
    visitor = office.visitor("work")
    assert one.name_of(visitor) != other.name_of(visitor)
    assert one.key_of(visitor) != other.key_of(visitor)
    assert one.key_of(visitor) != one.key_of(office.visitor("read"))


def test_the_service_worker_comes_from_the_root_with_all_files_of_the_pages(client: Client) -> None:
    answer = client.get("/sw.js")
    assert answer.headers["content-type"].startswith("text/javascript")
    assert answer.headers["cache-control"] == "no-cache"
    assert "worker-src 'self'" in answer.headers["content-security-policy"]
    version, files = answer.text.split("\n")[:2]
    assert json.loads(version.removeprefix("const VERSION = ").rstrip(";")) == static_files()[1]
    listed = json.loads(files.removeprefix("const FILES = ").rstrip(";"))
    folder = assets.folder("static")
    assert {"/static/js/offline.js", "/static/css/sheet.css"} <= set(listed)
    for name in listed:
        assert (folder / name.removeprefix("/static/")).is_file()
        assert client.get(name).status_code == 200


def test_a_script_is_told_where_a_form_leads_and_a_browser_is_led_there(client: Client) -> None:
    form = {"family": "GL-31", "complaint": "dark", "sent_key": "0" * 32, "create_missing": "yes"}
    told = client.post("/cases", data=form, headers={"Answer-As": "address"})
    assert told.status_code == 200
    assert told.headers["content-type"] == "application/json"
    saved = told.json()["saved"]
    led = client.post("/cases", data=form)
    assert led.status_code == 303
    assert saved.partition("?")[0] == led.headers["location"].partition("?")[0]
    again = client.post("/cases", data=form, headers={"Answer-As": "address"})
    assert again.json()["saved"].partition("?")[0] == saved.partition("?")[0]
    refused = client.post("/cases", data={"family": ""}, headers={"Answer-As": "address"})
    assert refused.status_code == 422
    assert "text/html" in refused.headers["content-type"]


def test_what_was_sent_is_known_for_weeks_as_a_phone_may_lie_in_a_drawer(client: Client) -> None:
    assert sent_once.KEPT.days >= 60


def test_nobody_is_told_where_to_go_who_may_not_write(office: Office) -> None:
    headers = {**office.signed_in("read"), "Answer-As": "address"}
    assert office.post("/cases", data={"family": "GL-31"}, headers=headers).status_code == 403
    nobody = office.post("/cases", data={"family": "GL-31"}, headers={"Origin": HOST, "Answer-As": "address"})
    assert nobody.status_code == 401


def test_the_form_of_a_case_in_the_bin_says_that_saving_takes_it_out(client: Client) -> None:
    assert "lies in the bin" not in client.get("/cases/one/edit").text
    client.post("/cases/one/bin")
    assert "This case lies in the bin. Saving takes it out." in client.get("/cases/one/edit").text


def test_what_one_person_left_on_a_device_is_not_saved_as_the_work_of_the_next(office: Office) -> None:
    one, other = office.signed_in("work"), office.signed_in("administer")
    mine = office.get("/families", headers=one).headers[FOR]
    form = {"family": "GL-31", "complaint": "left on the bench", "create_missing": "yes"}
    for path in ("/cases", "/api/cases"):
        refused = office.post(path, data=form, headers={**other, FOR: mine})
        assert refused.status_code == 401, path
    assert "somebody else" in refused.json()["error"]["message"]
    assert not office.get("/api/search?q=bench", headers=one).json()["total"]
    assert office.post("/cases", data=form, headers={**one, FOR: mine}).status_code == 303
