"""Whatever is sent, the API answers in one shape and never with a traceback."""

from __future__ import annotations

import json
from typing import Any

import pytest
from factories import case_json, exported
from web_client import Client, error_of

from kb.errors import StoreTrouble
from kb.service.boards import families
from kb.service.cases import cases

COLUMNS = pytest.mark.both("which numbers, days and characters a column takes")

HOSTILE = (
    "<script>alert(1)</script>",
    "'; DROP TABLE board_case; --",
    "{{ 7 * 7 }} ${7*7} %s %n",
    "\u202e\u2066 right to left",
    "💥" * 20,
    "../../etc/passwd",
    "a\\b\"c'd&amp;",
)
JSON = {"Content-Type": "application/json"}


def test_the_wrong_method_answers_405_and_says_which_are_allowed(client: Client) -> None:
    for address, allowed in (
        ("/api/cases/one", "DELETE, GET, PUT"),
        ("/api/docs", "GET"),
        ("/api/families/GL-31", "DELETE, GET, PUT"),
        ("/cases/one", "GET, POST"),
    ):
        answer = client.call("PATCH", address)
        assert (answer.status_code, answer.headers["allow"]) == (405, allowed), address
    assert error_of(client.call("PATCH", "/api/cases/one"))["message"].startswith(
        "This address does not take"
    )


@COLUMNS
@pytest.mark.parametrize(
    "query",
    [
        "limit=0",
        "limit=201",
        f"limit={2**63}",
        "limit=-1",
        "limit=1e3",
        "limit=ten",
        "limit=nan",
        f"offset={10**30}",
        "offset=-1",
        "year=12",
        f"year={2**64}",
        "q=" + "x" * 20_001,
        "family=" + "x" * 201,
    ],
)
def test_numbers_and_texts_out_of_bounds_answer_422_at_their_field(client: Client, query: str) -> None:
    answer = client.get(f"/api/search?{query}")
    assert answer.status_code == 422
    assert error_of(answer)["field"] == query.partition("=")[0]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'"text"',
        b"7",
        b"\xff\xfe",
        b'{"family": NaN}',
        b'{"family": "GL-31", "readings": [{"rail": "5VSB", "supply": "standby", "value": NaN}]}',
        b'{"family": "GL-31", "readings": [{"rail": "5VSB", "supply": "standby", "value": Infinity}]}',
        b'{"family": "GL-31", "readings": [{"rail": "5VSB", "supply": "standby", "value": 1e999}]}',
        b'{"family": "GL-31", "readings": [{"rail": "5VSB", "supply": "standby", "value": %s}]}'
        % (b"9" * 400),
        b'{"family": "GL-31", "readings": [{"rail": "5VSB", "supply": "standby", "value": %s}]}'
        % (b"9" * 5000),
        b'{"family": "GL-31", "attempts": [{"minutes": %s}]}' % (b"9" * 30),
        b'{"family": "\\ud800"}',
        b'{"\\ud800": 1}',
        b'{"<script>": 1}',
        b"[" * 100_000,
        b'{"a":' * 20_000,
    ],
    ids=lambda body: repr(body[:40]),
)
@pytest.mark.parametrize(
    "path", ["/api/cases", "/api/suggestions", "/api/next-measurements", "/api/bench/assess"]
)
def test_a_body_that_is_no_record_is_refused_in_the_one_shape(client: Client, path: str, body: bytes) -> None:
    answer = client.post(path, content=body, headers=JSON)
    assert answer.status_code in (400, 422), answer.text
    error_of(answer)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"family": ""}, "family"),
        ({"family": "  "}, "family"),
        ({"family": None}, "family"),
        ({"family": 7}, "family"),
        ({"family": "x" * 81}, "family"),
        ({"family": "a\x00b"}, "family"),
        ({"received": "2026-02-30"}, "received"),
        ({"received": "02/03/2026"}, "received"),
        ({"received": "1066-10-14"}, "received"),
        ({"received": 20260302}, "received"),
        ({"received": "2031-01-01", "closed": "2031-01-02"}, "received"),
        ({"closed": "2031-01-02"}, "closed"),
        ({"closed": "2026-03-01"}, "closed"),
        ({"verdict": "fine"}, "verdict"),
        ({"verdict": None}, "verdict"),
        ({"complaint": "x" * 2001}, "complaint"),
        ({"notes": "x" * 20_001}, "notes"),
        ({"uid": "no spaces allowed"}, "uid"),
        ({"uid": "../x"}, "uid"),
        ({"surprise": 1}, "surprise"),
        ({"record": "family"}, "record"),
        ({"symptoms": "dark"}, "symptoms"),
        ({"symptoms": [{"name": "dark", "present": "no"}]}, "symptoms.0.present"),
        ({"symptoms": [{"name": "no such symptom"}]}, "symptoms.0.name"),
        ({"symptoms": [{"name": "no picture"}] * 201}, "symptoms"),
        ({"readings": [{"rail": "5VSB", "supply": "standby"}]}, "readings.0.value"),
        ({"readings": [{"supply": "standby", "value": 1.0}]}, "readings.0.rail"),
        ({"readings": [{"rail": "5VSB", "supply": "on", "value": 1.0}]}, "readings.0.supply"),
        ({"readings": [{"rail": "5VSB", "supply": "standby", "value": "4.7"}]}, "readings.0.value"),
        ({"readings": [{"rail": "5VSB", "supply": "standby", "value": 1e10}]}, "readings.0.value"),
        ({"readings": [{"rail": "5VSB", "supply": "standby", "min": 2.0, "max": 1.0}]}, "readings.0.min"),
        (
            {"readings": [{"rail": "5VSB", "supply": "standby", "value": 1.0, "unit": "mV"}]},
            "readings.0.unit",
        ),
        ({"attempts": [{"part_class": "flux capacitor", "section": "feedback"}]}, "attempts.0.part_class"),
        ({"attempts": [{"part_class": "fuse", "section": "the middle"}]}, "attempts.0.section"),
        ({"attempts": [{"part_class": "fuse", "section": "other", "cost": -1}]}, "attempts.0.cost"),
        ({"attempts": [{"part_class": "fuse", "section": "other", "cost": 1.234}]}, "attempts.0.cost"),
        ({"attempts": [{"part_class": "fuse", "section": "other", "minutes": 1.5}]}, "attempts.0.minutes"),
        ({"follow_ups": [{"date": "2026-09-01", "state": "happy"}]}, "follow_ups.0.state"),
        ({"follow_ups": [{"date": "2026-01-01", "state": "still working"}]}, "follow_ups.0.date"),
        ({"follow_ups": [{"date": "2036-01-01", "state": "still working"}]}, "follow_ups.0.date"),
    ],
    ids=lambda value: str(value)[:50],
)
def test_every_field_of_a_case_says_what_is_wrong_with_it(
    client: Client, changed: dict[str, Any], field: str
) -> None:
    before = exported(client.shop)
    answer = client.post("/api/cases", json=case_json(**changed))
    assert answer.status_code == 422, answer.text
    error = error_of(answer)
    assert error["field"] == field
    assert error["remedy"]
    assert exported(client.shop) == before


@COLUMNS
@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_kept_as_text_in_every_field(client: Client, text: str) -> None:
    body = {
        **case_json(complaint=text, notes=text, customer=text, revision=text),
        "readings": [{"point": text, "supply": "running", "value": 1.0, "written": text}],
        "attempts": [
            {
                "part": text,
                "part_class": "fuse",
                "section": "other",
                "failure": text,
                "action": text,
                "result": "cured",
            }
        ],
        "follow_ups": [{"date": "2026-09-01", "state": "still working", "note": text}],
    }
    answer = client.post("/api/cases", json=body)
    assert answer.status_code == 201, answer.text
    uid = answer.json()["uid"]
    read = client.get(f"/api/cases/{uid}").json()
    assert [read["complaint"], read["notes"], read["customer"], read["revision"]] == [text] * 4
    assert read["attempts"][0]["failure"] == text
    for path in (f"/cases/{uid}", f"/cases/{uid}/edit", "/families/GL-31", "/cases", "/search?q=board", "/"):
        page = client.get(path)
        assert page.status_code == 200, path
        assert "<script>alert" not in page.text, path


@COLUMNS
@pytest.mark.parametrize(
    "text", [*HOSTILE, "\x00", "x" * 20_000, '"', "*", "AND OR NOT (", "family:", "~~ ^^"]
)
def test_hostile_questions_are_answered(demo: Client, text: str) -> None:
    assert demo.get("/api/search", params={"q": text}).status_code == 200
    assert demo.get("/search", params={"q": text}).status_code == 200
    for name in ("family", "section", "part_class", "verdict"):
        assert demo.get("/api/search", params={"q": "relay", name: text[:200]}).status_code == 200
    for what in ("family", "symptom", "part_class", "section"):
        assert demo.get(f"/complete/{what}", params={"q": text[:200]}).status_code == 200
    asked = demo.post("/api/suggestions", json={"family": text[:200], "text": text[:2000]})
    assert asked.status_code in (200, 422)
    page = demo.get(
        "/diagnose", params={"family": text[:300], "text": text, "symptom": text, "reading": text}
    )
    assert page.status_code == 200
    assert "<script>alert" not in page.text


def test_ten_megabytes_are_refused_before_they_are_read(client: Client) -> None:
    for path in ("/api/cases", "/api/suggestions", "/cases", "/families", "/data/symptoms"):
        answer = client.post(path, content=b"x" * 10_000_000, headers=JSON)
        assert answer.status_code == 413, path
    error_of(client.post("/api/cases", content=b"x" * 10_000_000, headers=JSON))


@pytest.mark.parametrize("path", ["/api/cases", "/api/suggestions", "/cases", "/api/import"])
def test_a_body_of_unsaid_length_is_cut_off_at_the_limit(client: Client, path: str) -> None:
    async def parts() -> Any:
        for _ in range(220):
            yield b"a=" + b" " * 500_000 + b"&"

    kind = "application/x-www-form-urlencoded" if path == "/cases" else "application/json"
    answer = client.post(path, content=parts(), headers={"Content-Type": kind})
    assert answer.status_code == 413, answer.text[:300]


def test_an_unforeseen_error_shows_a_log_id_and_nothing_of_the_program(
    client: Client, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise RuntimeError("a secret of the machine")

    monkeypatch.setattr(families, "listed", breaks)
    answer = client.get("/api/families")
    assert answer.status_code == 500
    error = error_of(answer)
    assert error["log_id"] in caplog.text
    assert "secret" not in answer.text
    page = client.get("/families")
    assert page.status_code == 500
    assert "secret" not in page.text
    assert "Traceback" not in page.text
    assert "Content-Security-Policy" in page.headers
    assert page.headers["X-Content-Type-Options"] == "nosniff"


def test_store_trouble_answers_503_with_its_remedy(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise StoreTrouble(
            "The disk is full, so nothing was saved.", remedy="Free some space and save again."
        )

    monkeypatch.setattr(cases, "save", full)
    answer = client.post("/api/cases", json=case_json())
    assert answer.status_code == 503
    assert error_of(answer)["remedy"] == "Free some space and save again."


def test_many_problems_are_told_as_the_first_and_their_number(client: Client) -> None:
    body = json.dumps({"family": 7, "verdict": 7, "complaint": 7})
    assert "2 more problems" in error_of(client.post("/api/cases", content=body, headers=JSON))["message"]


def test_an_import_of_anything_answers_with_lines(client: Client) -> None:
    for body in (
        b"\xff\xff\xff",
        b"[" * 100_000,
        b'{"record":"case","\\ud800":1}',
        b"\x00\n\x00",
        b"{}\n" * 300,
    ):
        answer = client.post("/api/import", content=body)
        assert answer.status_code == 422
        report = answer.json()
        assert report["refused"] >= 1
        assert len(report["problems"]) <= 100
        assert all(problem["remedy"] for problem in report["problems"])
