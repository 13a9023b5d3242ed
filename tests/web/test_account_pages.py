"""The pages of people and of one's own account, from a new person's link to the audit list."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from signed_in import NAMES, PASSWORD, Office, asks_to_sign_in
from test_security import check_page
from web_client import HOST, Page

from kb.service.accounts import people

NEW = "mooring kettle ninety sparrows"


@pytest.fixture
def office() -> Iterator[Office]:
    made = Office()
    yield made
    made.close()


def link_in(text: str) -> str:
    """The path of the one-time link that a page shows."""
    found = re.search(rf"{HOST}(/set-up/[\w-]+)", text)
    assert found, text
    return found[1]


def test_an_administrator_adds_a_person_who_chooses_a_password_and_reads(office: Office) -> None:
    shown = office.as_("administer", "POST", "/people", data={"name": "apprentice", "level": "read"})
    assert shown.status_code == 200
    assert shown.headers["cache-control"] == "no-store"
    link = link_in(shown.text)
    office._client.cookies.clear()
    for _ in range(2):  # looking at it does not use it up
        page = office.get(link)
        assert page.status_code == 200
        assert "apprentice" in page.text
    short = office.post(link, data={"password": "short", "again": "short"}, headers={"Origin": HOST})
    assert short.status_code == 422
    assert "5 of at least 12" in short.text
    unlike = office.post(link, data={"password": NEW, "again": NEW + "x"}, headers={"Origin": HOST})
    assert unlike.status_code == 422
    assert NEW not in unlike.text
    chosen = office.post(link, data={"password": NEW, "again": NEW}, headers={"Origin": HOST})
    assert chosen.headers["location"] == "/"
    assert office.get("/cases/one").status_code == 200
    assert office.post("/cases/one/bin", headers={"Origin": HOST}).status_code == 403
    assert office.get("/cases/new").status_code == 403
    assert office.get(link).status_code == 404
    assert (
        office.post(link, data={"password": NEW, "again": NEW}, headers={"Origin": HOST}).status_code == 404
    )


def test_a_link_of_nobody_is_told_plainly(office: Office) -> None:
    for secret in ("none", "x" * 43, "%00", "a" * 99):
        answer = office.get(f"/set-up/{secret}")
        assert answer.status_code == 404
        assert "Ask an administrator" in answer.text


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        ({"name": "", "level": "read"}, "The name is empty."),
        ({"name": "x" * 61, "level": "read"}, "longer than 60"),
        ({"name": "BENCH 1", "level": "read"}, "There is a person called"),
        ({"name": "new", "level": "king"}, "There is no level"),
        ({"name": "<script>alert(1)</script>", "level": ""}, "There is no level"),
        ({}, "The name is empty."),
    ],
)
def test_a_mistake_keeps_what_was_typed(office: Office, sent: dict[str, str], told: str) -> None:
    answer = office.as_("administer", "POST", "/people", data=sent)
    assert answer.status_code in (409, 422)
    assert told in answer.text
    assert "<script>alert" not in answer.text
    assert Page(answer.text).form("/people")["name"] == sent.get("name", "")
    assert len(people.listed(office.shop)) == 3


def test_level_link_and_removal_of_a_person(office: Office) -> None:
    path = f"/people/{office.ids['work']}"
    assert office.as_("administer", "POST", f"{path}/level", data={"level": "read"}).status_code == 303
    assert people.get(office.shop, office.ids["work"]).level == "read"
    link = link_in(office.as_("administer", "POST", f"{path}/link").text)
    assert office.get(link).status_code == 200
    not_sure = office.as_("administer", "POST", f"{path}/remove")
    assert not_sure.status_code == 422
    assert "Tick the box" in not_sure.text
    assert office.as_("administer", "POST", f"{path}/remove", data={"sure": "yes"}).status_code == 303
    assert office.as_("administer", "GET", path).status_code == 404
    assert office.get(link).status_code == 404
    listed = office.as_("administer", "GET", "/people/audit").text
    for words in ("person removed", "level changed", "link made", "owner"):
        assert words in listed


def test_the_last_administrator_is_told_why_not(office: Office) -> None:
    path = f"/people/{office.ids['administer']}"
    for action, sent in (("remove", {"sure": "yes"}), ("level", {"level": "work"})):
        answer = office.as_("administer", "POST", f"{path}/{action}", data=sent)
        assert answer.status_code == 412
        assert "Nobody but owner could administer then." in answer.text
    answer = office.as_("administer", "POST", f"{path}/link")
    assert answer.status_code == 422
    assert "yourself" in answer.text


def test_a_token_is_shown_once_works_and_is_revoked(office: Office) -> None:
    sent = {"label": "till", "scope": "work", "days": "30"}
    shown = office.as_("work", "POST", "/account/tokens", data=sent)
    token = re.search(r"kbt_[\w-]{43}", shown.text)
    assert token
    bearer = {"Authorization": f"Bearer {token[0]}"}
    assert office.get("/api/cases/one", headers=bearer).status_code == 200
    assert office.call("DELETE", "/api/cases/one", headers=bearer).status_code in (200, 204)
    assert office.get("/api/export", headers=bearer).status_code == 403
    page = office.as_("work", "GET", "/account")
    assert token[0] not in page.text
    revoke = [form["action"] for form in Page(page.text).forms if form["action"].endswith("/revoke")]
    assert office.as_("read", "POST", revoke[0]).status_code == 404  # not theirs
    assert office.as_("work", "POST", revoke[0]).status_code == 303
    assert office.get("/api/cases/one", headers=bearer).status_code == 401


def test_a_token_form_with_a_mistake_keeps_what_was_typed(office: Office) -> None:
    answer = office.as_(
        "work", "POST", "/account/tokens", data={"label": "till", "scope": "work", "days": "0"}
    )
    assert answer.status_code == 422
    kept = Page(answer.text).form("/account/tokens")
    assert (kept["label"], kept["scope"], kept["days"]) == ("till", "work", "0")


def test_the_password_is_changed_by_who_knows_it() -> None:
    office = Office(passwords=True)
    sent = {"old": PASSWORD, "new": NEW, "again": NEW}
    for spoiled, told in (
        ({"old": "wrong"}, "not your present password"),
        ({"again": NEW + "x"}, "not the same"),
        ({"new": "x", "again": "x"}, "1 of at least 12"),
    ):
        answer = office.as_("work", "POST", "/account/password", data={**sent, **spoiled})
        assert answer.status_code == 422
        assert told in answer.text
        assert PASSWORD not in answer.text
    assert office.as_("work", "POST", "/account/password", data=sent).status_code == 303
    office.close()


def test_taking_out_the_whole_store_is_told_in_the_audit_list(office: Office) -> None:
    assert office.as_("administer", "GET", "/api/export").status_code == 200
    assert office.as_("work", "GET", "/api/export").status_code == 403
    page = office.as_("administer", "GET", "/people/audit?event=whole+store+taken+out").text
    assert page.count("/api/export") == 1


def test_on_a_bench_without_sign_in_people_can_be_prepared(client: object) -> None:
    from web_client import Client

    assert isinstance(client, Client)
    page = client.get("/people")
    assert "Nobody has to sign in on this machine" in page.text
    assert "Signed in as" not in page.text
    link = link_in(client.post("/people", data={"name": "owner", "level": "administer"}).text)
    assert client.post(link, data={"password": NEW, "again": NEW}).headers["location"] == "/people"
    assert "no account to show" in client.get("/account").text
    assert (
        client.post("/account/tokens", data={"label": "x", "scope": "read", "days": "1"}).status_code == 404
    )


@pytest.mark.parametrize("path", ["/people", "/people/audit", "/account", "/sign-in", "/cases/new"])
def test_the_pages_are_clean_and_say_who_is_signed_in(office: Office, path: str) -> None:
    office.as_("administer", "POST", "/people", data={"name": "<b>x</b>\"'", "level": "read"})
    answer = office.as_("administer" if path != "/sign-in" else "", "GET", path)
    assert answer.status_code == 200
    check_page(answer.text)
    assert "<b>x</b>" not in answer.text
    assert ("Signed in as" in answer.text) == (path != "/sign-in")
    assert answer.headers["cache-control"] == "no-store"


def test_who_is_signed_in_is_not_led_to_what_they_may_not(office: Office) -> None:
    page = office.as_("read", "GET", "/cases").text
    assert f"Signed in as <strong>{NAMES['read']}</strong>" in page
    assert 'href="/people"' not in page
    assert 'href="/cases/new"' not in page
    assert 'href="/people"' in office.as_("administer", "GET", "/cases").text


def test_the_sign_in_page_shows_nothing_of_the_shop_but_its_name(office: Office) -> None:
    answer = office.get("/sign-in")
    assert not asks_to_sign_in(answer)
    assert 'role="search"' not in answer.text
    assert "/families" not in answer.text


def test_sharing_with_other_shops_has_an_event_of_its_own_in_the_audit_list(office: Office) -> None:
    sent = {"name": "Harbour bench", "complaints": "yes"}
    assert office.as_("work", "POST", "/data/share/file", data=sent).status_code == 403
    unnamed = office.as_("administer", "POST", "/data/share/file", data=sent | {"name": ""})
    assert unnamed.status_code == 422
    assert office.as_("administer", "POST", "/data/share/file", data=sent).status_code == 200
    page = office.as_("administer", "GET", "/people/audit?event=shared+with+other+shops").text
    assert page.count("/data/share/file") == 1
    others = office.as_("administer", "GET", "/people/audit?event=whole+store+taken+out").text
    assert "/data/share/file" not in others
