"""Every field of every form, given what it cannot use: the form again, whole, and never a traceback."""

from __future__ import annotations

import html
from typing import Any

import pytest
from web_client import Client, Page

from kb.service.cases import cases
from kb.service.transfer.json_lines import newest_change

HOSTILE = (
    "",
    "   ",
    "<script>alert(1)</script>\"'><b>",
    "'; DROP TABLE board_case; --",
    "{{ 7 * 7 }}{% raw %}",
    "NaN",
    "inf",
    "1e999",
    "-5",
    "9" * 400,
    "2,200 µF",
    "5 A",
    "1:30",
    "\x00\x1b",
    "\u202e💥\u2028",
    "line\nbreak\ttab",
    "x" * 30_000,
    "yes",
    "..",
    "-",
)
CASE: dict[str, str] = {
    "family": "GL-31",
    "revision": "B",
    "received": "2026-03-02",
    "closed": "2026-03-05",
    "verdict": "repaired",
    "complaint": "stays dark",
    "customer": "the ferry office",
    "notes": "two\nlines",
    "symptoms.0.name": "fuse blown",
    "symptoms.0.present": "no",
    "readings.0.line": "5VSB 4.7 standby",
    "readings.0.kept": "",
    "attempts.0.part": "C9",
    "attempts.0.part_class": "electrolytic capacitor",
    "attempts.0.section": "standby output",
    "attempts.0.result": "cured",
    "attempts.0.failure": "high ESR",
    "attempts.0.action": "replace",
    "attempts.0.minutes": "20",
    "attempts.0.cost": "1.20",
}
FOLLOW_UP = {
    "follow_ups.0.date": "2026-09-01",
    "follow_ups.0.state": "still working",
    "follow_ups.0.note": "phoned",
}
FAMILY: dict[str, str] = {
    "code": "WB-7",
    "kind": "power supply",
    "aliases": "WB7-B\nQuay lamp",
    "mains_v": "230 V",
    "bulk_v": "385 V",
    "bulk_uf": "120 µF",
    "fuse": "T3.15A",
    "notes": "two\nlines",
    "rails.0.name": "5VSB",
    "rails.0.role": "standby",
    "rails.0.nominal_v": "5 V",
    "rails.0.tolerance_pct": "±5 %",
    "rails.0.rated_a": "1 A",
    "rails.0.ripple_mv": "50 mV",
    "rails.0.connector": "CN2",
    "rails.0.pins": "4, 5",
    "rails.0.ground_pins": "1 2",
    "connectors.0.name": "CN2",
    "connectors.0.pins": "10",
    "connectors.0.rows": "2",
    "enable_connector": "CN2",
    "enable_pin": "3",
    "enable_from_rail": "5VSB",
    "enable_active": "high",
    "enable_resistor_ohm": "4k7",
}


def check_nothing_lost(answer: Any, sent: dict[str, str], action: str, before: int, after: int) -> None:
    """Either saved, or refused with the form holding every word that was sent."""
    assert answer.status_code in (303, 409, 422), answer.text[:300]
    assert "Traceback" not in answer.text
    assert "<script>alert" not in answer.text
    if answer.status_code == 303:
        assert after > before, "sent on, and nothing was saved"
        return
    assert after == before
    page = Page(answer.text)
    assert [tag for tag, attributes in page.tags if attributes.get("role") == "alert"], (
        "no summary of the problems"
    )
    shown = page.form(action)
    # Browsers send line breaks as they please, and no browser shows or sends a NUL.
    lost = {
        name: text
        for name, text in sent.items()
        if text.strip() and _plain(shown.get(name, "")) != _plain(text) and name not in ("readings.0.kept",)
    }
    assert not lost


def _plain(text: str) -> str:
    return html.unescape(html.escape(text)).replace("\r\n", "\n").replace("\x00", "\ufffd")


# In the quick tier each text meets a seventh of the fields, and each field a seventh of the texts.
WHOLE = pytest.mark.parametrize("whole", [False, pytest.param(True, marks=pytest.mark.long)])


def texts_for(form: dict[str, str], field: str, whole: bool) -> tuple[str, ...]:
    """The hostile texts that a field is given."""
    return HOSTILE if whole else HOSTILE[list(form).index(field) % 7 :: 7]


def test_the_forms_are_good_before_they_are_spoilt(client: Client) -> None:
    assert client.post("/cases", data=CASE).status_code == 303
    assert client.post("/families", data=FAMILY).status_code == 303


@WHOLE
@pytest.mark.parametrize("field", list(CASE))
def test_no_field_of_a_new_case_loses_the_rest(client: Client, field: str, whole: bool) -> None:
    for text in texts_for(CASE, field, whole):
        before = newest_change(client.shop)
        sent = {**CASE, field: text}
        answer = client.post("/cases", data=sent)
        check_nothing_lost(answer, sent, "/cases", before, newest_change(client.shop))


@WHOLE
@pytest.mark.parametrize("field", list(FOLLOW_UP))
def test_no_field_of_a_follow_up_loses_the_rest(client: Client, field: str, whole: bool) -> None:
    for text in texts_for(FOLLOW_UP, field, whole):
        before = newest_change(client.shop)
        version = str(cases.stored(client.shop, "one").version)
        sent = {**CASE, **FOLLOW_UP, "version": version, field: text}
        answer = client.post("/cases/one", data=sent)
        check_nothing_lost(answer, sent, "/cases/one", before, newest_change(client.shop))


@WHOLE
@pytest.mark.parametrize("field", list(FAMILY))
def test_no_field_of_a_family_loses_the_rest(client: Client, field: str, whole: bool) -> None:
    for text in texts_for(FAMILY, field, whole):
        before = newest_change(client.shop)
        sent = {**FAMILY, field: text}
        answer = client.post("/families", data=sent)
        if answer.status_code == 422 and "There is a family known as" in answer.text:
            continue  # saved by an earlier text of this loop
        check_nothing_lost(answer, sent, "/families", before, newest_change(client.shop))


@WHOLE
@pytest.mark.parametrize("path", ["/data/symptoms", "/data/part-classes"])
def test_no_field_of_a_word_loses_the_rest(client: Client, path: str, whole: bool) -> None:
    good = {"name": "sings", "synonyms": "hums\nwhistles"}
    good |= {"how": "look", "minutes": "3"} if path == "/data/symptoms" else {"letters": "C, EC"}
    for field in good:
        for text in texts_for(good, field, whole):
            before = newest_change(client.shop)
            sent = {**good, field: text}
            check_nothing_lost(client.post(path, data=sent), sent, path, before, newest_change(client.shop))


@pytest.mark.parametrize(
    ("sent", "field"),
    [
        ({"family": ""}, "family"),
        ({"received": "2036-01-01", "closed": "2036-01-02"}, "received"),
        ({"closed": "2026-03-01"}, "closed"),
        ({"readings.0.line": "5VSB 4.7"}, "readings.0.line"),
        ({"readings.0.line": "5VSB 2,200 standby"}, "readings.0.line"),
        ({"readings.0.line": "5VSB NaN standby"}, "readings.0.line"),
        ({"readings.0.line": "5VSB OL standby"}, "readings.0.line"),
        ({"attempts.0.section": ""}, "attempts.0.section"),
        ({"attempts.0.part_class": ""}, "attempts.0.part_class"),
        ({"attempts.0.part_class": "flux capacitor"}, "attempts.0.part_class"),
        ({"attempts.0.cost": "1.234"}, "attempts.0.cost"),
        ({"attempts.0.minutes": "1:30"}, "attempts.0.minutes"),
        ({"symptoms.0.name": "sings"}, "symptoms.0.name"),
        ({"verdict": "fine"}, "verdict"),
    ],
    ids=str,
)
def test_the_message_stands_at_its_field_and_is_linked_from_the_top(
    client: Client, sent: dict[str, str], field: str
) -> None:
    answer = client.post("/cases", data={**CASE, **sent})
    assert answer.status_code == 422
    tags = Page(answer.text).tags
    marked = {attributes.get("name") for _, attributes in tags if attributes.get("aria-invalid") == "true"}
    assert field in marked
    assert f"#f-{field}" in {attributes.get("href") for tag, attributes in tags if tag == "a"}
    assert f"f-{field}" in {attributes.get("id") for _, attributes in tags}


@pytest.mark.parametrize(
    "row",
    [
        {"attempts.1.section": "feedback"},
        {"attempts.1.cost": "3"},
        {"attempts.1.minutes": "20"},
        {"follow_ups.1.note": "phoned"},
        {"rails.1.rated_a": "2 A"},
        {"rails.1.pins": "3"},
    ],
    ids=str,
)
def test_a_row_with_anything_typed_is_never_dropped_in_silence(client: Client, row: dict[str, str]) -> None:
    (name,) = row
    action, whole = (
        ("/families", FAMILY) if name.startswith("rails") else ("/cases/one", {**CASE, **FOLLOW_UP})
    )
    answer = client.post(action, data={**whole, "version": "1", **row})
    assert answer.status_code == 422
    assert Page(answer.text).form(action)[name] == row[name]


def test_negative_volts_on_a_positive_rail_are_taken_and_flagged(client: Client) -> None:
    answer = client.post("/cases", data={**CASE, "readings.0.line": "5VSB -5 standby"})
    assert answer.status_code == 303
    page = client.get(answer.headers["location"]).text
    assert "wrong way round" in page


def test_a_form_of_thousands_of_fields_is_answered(client: Client) -> None:
    many = {f"symptoms.{number}.name": "fuse blown" for number in range(3000)}
    answer = client.post("/cases", data={**CASE, **many})
    assert answer.status_code in (400, 413, 422)
    assert "Traceback" not in answer.text


@pytest.mark.parametrize(
    "names",
    [
        "symptoms.99999.name",
        "symptoms.-1.name",
        "symptoms.x.name",
        "..",
        "attempts.0.",
        "__proto__",
        "rows",
        "add",
        "remove",
    ],
)
def test_field_names_that_nobody_knows_do_no_harm(client: Client, names: str) -> None:
    for value in ("x", "symptoms.\u0661", "symptoms.99999999999999999999", "attempts.²"):
        answer = client.post("/cases", data={**CASE, names: value})
        assert answer.status_code in (200, 303, 422)
        if answer.status_code == 303:
            kept = cases.stored(
                client.shop, answer.headers["location"].split("/")[2].partition("?")[0]
            ).record
            assert (kept.complaint, kept.customer) == (CASE["complaint"], CASE["customer"])
        else:
            shown = Page(answer.text).form("/cases")
            assert (shown["complaint"], shown["customer"]) == (CASE["complaint"], CASE["customer"])


@pytest.mark.parametrize(
    "body",
    [b"\xff\xfe=\xff", b"%ff=%ff&family=%00", b"family=GL-31&" * 2000, b"=&=&=", b"family"],
    ids=lambda body: repr(body[:20]),
)
def test_bytes_that_are_no_form_are_answered(client: Client, body: bytes) -> None:
    for path in ("/cases", "/families", "/data/symptoms", "/cases/one/follow-ups", "/data/import"):
        answer = client.post(
            path, content=body, headers={"Content-Type": "application/x-www-form-urlencoded"}
        )
        assert answer.status_code in (303, 400, 422), path
    answer = client.post("/cases", content=body, headers={"Content-Type": "multipart/form-data; boundary=x"})
    assert answer.status_code in (400, 422)
    answer = client.post("/cases", content=body, headers={"Content-Type": "multipart/form-data"})
    assert answer.status_code in (400, 422)
