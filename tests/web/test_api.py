"""Every call of the API, as outside tools rely on it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from factories import a_case, a_family, bring, case_json, demo_board_lines, demo_lines, exported
from jsonschema import Draft202012Validator  # type: ignore[import-untyped]
from web_client import Client, error_of

from kb.model import RECORD_TYPES
from kb.service.cases import cases
from kb.service.transfer import json_lines

JSON = {"Content-Type": "application/json"}


def test_a_case_is_added_read_changed_and_binned(client: Client) -> None:
    added = client.post("/api/cases", json=case_json())
    assert added.status_code == 201
    uid = added.json()["uid"]
    assert added.headers["location"] == f"/api/cases/{uid}"
    assert added.headers["etag"] == '"1"'
    assert added.json()["version"] == 1
    read = client.get(f"/api/cases/{uid}")
    assert read.json() == added.json()
    assert read.headers["etag"] == '"1"'
    changed = client.call(
        "PUT", f"/api/cases/{uid}", json={**read.json(), "notes": "again"}, headers={"If-Match": '"1"'}
    )
    assert changed.status_code == 200
    assert changed.json()["version"] == 2
    assert changed.headers["etag"] == '"2"'
    assert client.get(f"/api/cases/{uid}").json()["notes"] == "again"
    assert client.call("DELETE", f"/api/cases/{uid}").status_code == 204
    assert uid not in client.get("/api/export").text
    assert error_of(client.call("DELETE", f"/api/cases/{uid}"))["field"] == "uid"


def test_a_change_must_say_which_version_it_was_made_on(client: Client) -> None:
    answer = client.call("PUT", "/api/cases/one", json=case_json("one"))
    assert answer.status_code == 428
    assert error_of(answer)["field"] == "If-Match"


@pytest.mark.parametrize("version", ["1", '"1"', 'W/"1"'])
def test_the_version_may_be_written_as_http_writes_it(client: Client, version: str) -> None:
    answer = client.call(
        "PUT", "/api/cases/one", json=case_json("one", notes="x"), headers={"If-Match": version}
    )
    assert answer.status_code == 200
    told = client.get("/api/cases/one")
    assert (told.json()["notes"], told.headers["etag"]) == ("x", '"2"')


@pytest.mark.parametrize("version", ["abc", "*", "-1", "1.0", "9" * 40, "²"])
def test_a_version_that_is_none_is_told(client: Client, version: str) -> None:
    headers = {"If-Match": version.encode("latin-1").decode("latin-1")}
    answer = client.call(
        "PUT",
        "/api/cases/one",
        json=case_json("one"),
        headers=[(b"If-Match", headers["If-Match"].encode("latin-1"))],
    )
    assert answer.status_code == 422
    assert error_of(answer)["field"] == "If-Match"


def test_a_change_on_an_older_version_answers_412_and_changes_nothing(client: Client) -> None:
    def put(notes: str, version: int) -> Any:
        return client.call(
            "PUT",
            "/api/cases/one",
            json=case_json("one", notes=notes),
            headers={"If-Match": f'"{version}"'},
        )

    assert put("theirs", 1).status_code == 200
    late = put("mine", 1)
    assert late.status_code == 412
    assert "Nothing was overwritten" in error_of(late)["message"]
    assert client.get("/api/cases/one").json()["notes"] == "theirs"
    assert client.call("DELETE", "/api/cases/one", headers={"If-Match": "1"}).status_code == 412


def test_a_uid_that_is_taken_answers_409(client: Client) -> None:
    answer = client.post("/api/cases", json=case_json("one", notes="another"))
    assert answer.status_code == 409
    assert error_of(answer)["field"] == "uid"


def test_the_uid_in_the_address_is_the_one_that_counts(client: Client) -> None:
    answer = client.call("PUT", "/api/cases/one", json=case_json("two"), headers={"If-Match": "1"})
    assert answer.status_code == 422
    assert error_of(answer)["field"] == "uid"


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/api/cases/nobody"),
        ("DELETE", "/api/cases/nobody"),
        ("GET", "/api/families/nobody"),
        ("GET", "/api/families/nobody/fixes"),
        ("GET", "/api/schema/nothing.json"),
        ("GET", "/api/nothing"),
        ("GET", "/api/cases/" + "x" * 5000),
        ("GET", "/api/cases/%00"),
        ("GET", "/api/families/%27%3B%20DROP%20TABLE%20family%3B--"),
    ],
)
def test_what_is_not_there_answers_404(client: Client, method: str, path: str) -> None:
    answer = client.call(method, path)
    assert answer.status_code == 404
    assert error_of(answer)["remedy"]


def test_an_address_that_is_no_text_is_refused(client: Client) -> None:
    """Bytes that are no UTF-8 name nothing, and nothing of them is copied into the answer."""
    answer = client.call("GET", "/api/cases/%FF%FE")
    assert answer.status_code == 422
    assert "no text" in error_of(answer)["message"]


def test_a_put_on_an_unknown_case_answers_404(client: Client) -> None:
    answer = client.call("PUT", "/api/cases/nobody", json=case_json(), headers={"If-Match": "1"})
    assert answer.status_code == 404
    assert "no longer in the store" in error_of(answer)["message"]
    assert client.get("/api/cases/nobody").status_code == 404


def test_a_family_is_read_by_any_of_its_numbers(client: Client) -> None:
    assert client.get("/api/families/gl31b").json()["code"] == "GL-31"
    assert client.get("/api/families").json()["families"] == [
        {"code": "GL-31", "kind": "power supply", "aliases": ["GL31-B"], "cases": 1}
    ]
    assert client.get("/api/families", params={"q": "nothing"}).json() == {"families": [], "total": 0}


def test_fixes_tell_tried_cured_and_interval(client: Client) -> None:
    (fix,) = client.get("/api/families/GL-31/fixes").json()["fixes"]
    assert (fix["section"], fix["part_class"]) == ("standby output", "electrolytic capacitor")
    assert (fix["tried"], fix["cured"], fix["cases"]) == (1, 1, ["one"])
    low, high = fix["interval"]
    assert 0 < low < fix["rate"] <= 1
    assert high == 1


def test_search_answers_hits_facets_and_totals(demo: Client) -> None:
    found = demo.get("/api/search", params={"q": "relay ticks no picture", "limit": 5}).json()
    assert found["total"] > 5
    assert len(found["hits"]) == 5
    scores = [hit["score"] for hit in found["hits"]]
    assert scores == sorted(scores, reverse=True)
    assert sum(entry["count"] for entry in found["facets"]["family"]) == found["total"]
    later = demo.get("/api/search", params={"q": "relay ticks no picture", "limit": 5, "offset": 5}).json()
    assert not {hit["case"] for hit in later["hits"]} & {hit["case"] for hit in found["hits"]}
    narrowed = demo.get("/api/search", params={"q": "relay", "family": "hx210", "verdict": "repaired"}).json()
    assert narrowed["total"] > 0
    assert {(hit["family"], hit["verdict"]) for hit in narrowed["hits"]} == {("HX-210", "repaired")}


def test_suggestions_sum_to_one_and_come_with_their_reasons(demo: Client) -> None:
    answer = demo.post(
        "/api/suggestions",
        json={
            "family": "HX-210",
            "symptoms": [{"name": "relay ticking"}, {"name": "fuse blown", "present": False}],
            "readings": [{"rail": "5VSB", "supply": "standby", "value": 4.2}],
            "text": "dark, flurbles",
        },
    )
    assert answer.status_code == 200
    body = answer.json()
    total = sum(cause["probability"] for cause in body["causes"]) + body["unseen_probability"]
    assert total == pytest.approx(1, abs=1e-9)
    assert "flurbles" in body["unknown_terms"]
    first = body["causes"][0]
    assert first["evidence"]
    assert first["cases"]
    assert first["interval"][0] <= first["cure_rate"] <= first["interval"][1]
    assert 0 < body["evidence_strength"] <= 1


def test_evidence_that_contradicts_itself_is_refused(demo: Client) -> None:
    answer = demo.post(
        "/api/suggestions",
        json={"symptoms": [{"name": "relay ticking"}, {"name": "relay clicks repeatedly", "present": False}]},
    )
    assert answer.status_code == 422
    assert error_of(answer)["field"] == "symptoms.1"


def test_the_next_measurements_are_ordered_and_dead_checks_come_first(demo: Client) -> None:
    body = demo.post("/api/next-measurements", json={"family": "HX-210"}).json()
    assert body["measurements"]
    assert all(one["bits"] >= 0 and one["minutes"] > 0 and one["why"] for one in body["measurements"])
    powered = [one["powered"] for one in body["measurements"]]
    assert powered == sorted(powered)


def test_readings_are_judged_negative_volts_on_a_positive_rail_included(client: Client) -> None:
    body = {
        "family": "GL-31",
        "readings": [
            {"rail": "5VSB", "supply": "standby", "value": 5.25},
            {"rail": "5VSB", "supply": "standby", "value": -5.0},
            {"point": "TP1", "supply": "running", "value": 1.0},
        ],
    }
    answer = client.post("/api/bench/assess", json=body).json()
    good, reversed_, point = answer["readings"]
    assert (good["condition"], good["low_v"], good["high_v"]) == ("in tolerance", 4.75, 5.25)
    assert "wrong way round" in reversed_["sentence"]
    assert reversed_["marginal"]
    assert point["condition"] is None
    assert [line["rail"] for line in answer["rails"]] == ["5VSB"]


def test_negative_volts_on_a_positive_rail_are_kept_as_measured(client: Client) -> None:
    reading = {"rail": "5VSB", "supply": "standby", "value": -5.0}
    answer = client.post("/api/cases", json=case_json(readings=[reading]))
    assert answer.status_code == 201
    assert answer.json()["readings"][0]["value"] == -5.0


def test_a_reading_on_a_rail_that_the_family_lacks_is_told(client: Client) -> None:
    body = {"family": "GL-31", "readings": [{"rail": "99V", "supply": "running", "value": 1.0}]}
    answer = client.post("/api/bench/assess", json=body)
    assert answer.status_code == 422
    assert error_of(answer)["field"] == "readings.0.rail"


def test_an_export_imported_into_an_empty_shop_exports_the_same(demo: Client, empty: Client) -> None:
    lines = demo.get("/api/export")
    assert lines.headers["content-type"].startswith("application/x-ndjson")
    assert "attachment" in lines.headers["content-disposition"]
    report = empty.post("/api/import", content=lines.content).json()
    assert report["saved"]
    assert report["refused"] == 0
    assert empty.get("/api/export").content == lines.content
    again = empty.post("/api/import", content=lines.content).json()
    assert (again["added"], again["updated"], again["refused"]) == (0, 0, 0)


def test_a_refused_import_answers_422_with_its_lines_and_keeps_nothing(client: Client) -> None:
    before = exported(client.shop)
    body = json.dumps(case_json("two")) + "\n" + json.dumps(case_json("three", verdict="fine")) + "\n"
    answer = client.post("/api/import", content=body)
    assert answer.status_code == 422
    error = answer.json()["error"]
    assert (error["field"], "1 line cannot be used" in error["message"]) == ("verdict", True)
    (problem,) = answer.json()["problems"]
    assert (problem["line"], problem["field"]) == (2, "verdict")
    assert "repaired" in problem["remedy"]
    assert exported(client.shop) == before
    kept = client.post("/api/import?skip_bad=true", content=body)
    assert kept.status_code == 200
    assert (kept.json()["added"], kept.json()["refused"]) == (1, 1)


def test_an_import_may_create_what_it_names(empty: Client) -> None:
    body = json.dumps(case_json("two", symptoms=[{"name": "sings"}]))
    assert empty.post("/api/import", content=body).status_code == 422
    answer = empty.post("/api/import?create_missing=true", content=body)
    assert answer.status_code == 200
    assert set(answer.json()["created"]) == {"family GL-31", "symptom sings"}


@pytest.mark.parametrize("name", sorted(RECORD_TYPES))
def test_each_record_has_a_schema_that_its_lines_obey_and_a_wrong_line_does_not(
    demo: Client, name: str
) -> None:
    schema = demo.get(f"/api/schema/{name}.json").json()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)
    objects = [json.loads(line) for line in exported(demo.shop).splitlines()]
    objects += [json.loads(line) for line in (*demo_lines(), *demo_board_lines())]
    # No shop shares its cases with the demo.
    objects.append({"record": "origin", "id": "ab" * 16, "name": "Quay bench", "date": "2026-03-02"})
    of_kind = [one for one in objects if one["record"] == name]
    assert of_kind
    for one in of_kind:
        assert list(validator.iter_errors(one)) == [], one
    assert list(validator.iter_errors({**of_kind[0], "surprise": 1}))
    assert list(validator.iter_errors({"record": name}))


def test_health_tells_that_all_is_in_step(client: Client) -> None:
    body = client.get("/api/health").json()
    assert body["ok"]
    assert body["store"] == body["index"] == body["counts"] == json_lines.newest_change(client.shop)
    assert body["cases"] == 1


def test_health_answers_503_when_a_copy_cannot_catch_up(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise OSError("no index today")

    monkeypatch.setattr(client.shop.derived._index.index, "apply", fails)
    monkeypatch.setattr(client.shop.derived._index.index, "rebuild", fails)
    added = client.post("/api/cases", json=case_json("two"))
    assert added.status_code == 201
    assert cases.exists(client.shop, "two")
    answer = client.get("/api/health")
    assert answer.status_code == 503
    assert answer.json()["index"] < answer.json()["store"]
    assert "no index today" not in answer.json()["trouble"]
    assert "may miss the latest cases" in client.get("/search?q=relay").text
    monkeypatch.undo()
    assert client.get("/api/health").json()["ok"]
    assert client.get("/api/search?q=relay").json()["total"] == 2


def test_the_description_names_every_call_and_is_served_without_foreign_scripts(client: Client) -> None:
    description = client.get("/api/openapi.json").json()
    assert {
        "/api/search",
        "/api/suggestions",
        "/api/next-measurements",
        "/api/cases",
        "/api/cases/{uid}",
        "/api/families",
        "/api/families/{code}",
        "/api/families/{code}/fixes",
        "/api/bench/assess",
        "/api/import",
        "/api/export",
        "/api/health",
    } <= set(description["paths"])
    page = client.get("/api/docs")
    assert page.status_code == 200
    assert "http://" not in page.text.replace("http://www.w3.org", "")
    assert "https://" not in page.text


def test_two_boards_with_equal_lines_are_two_cases(empty: Client) -> None:
    assert bring(empty.shop, a_family()).saved
    body = json.dumps(case_json()) * 1 + "\n" + json.dumps(case_json()) + "\n"
    assert empty.post("/api/import", content=body).json()["added"] == 2
    assert empty.post("/api/import", content=body).json()["unchanged"] == 2
    assert a_case().uid is None
