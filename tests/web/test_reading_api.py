"""What a text says, asked of the program: places, the family's rails, and what is refused."""

from __future__ import annotations

from typing import Any

from factories import a_family, fresh_shop
from starlette.testclient import TestClient

from kb.reading import lexicon
from kb.service.boards import families
from kb.service.diagnose import case_texts
from kb.service.shop.shop import Shop
from kb.web.app import create_app


def client_of(shop: Shop) -> TestClient:
    return TestClient(create_app(shop), base_url="http://127.0.0.1")


def asked(client: TestClient, **body: Any) -> Any:
    answer = client.post("/api/read", json=body)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_note_comes_back_as_facts_with_their_places() -> None:
    text = "dead, C9 ESR 4,2 Ohm, replaced, 5VSB back at 5.08, all fine. 25min 1,20 €"
    found = asked(client_of(fresh_shop()), text=text)
    assert [(one["name"], one["present"]) for one in found["symptoms"]] == [
        ("dead", True),
        ("high ESR found", True),
    ]
    esr, standby = found["readings"]
    assert (esr["point"], esr["quantity"], esr["value"]) == ("C9", "esr_ohm", 4.2)
    assert (standby["rail"], standby["supply"], standby["after_repair"]) == ("5VSB", "standby", True)
    (fix,) = found["attempts"]
    assert (fix["part"], fix["failure"], fix["action"], fix["result"]) == (
        "C9",
        "high ESR",
        "replace",
        "cured",
    )
    assert (found["minutes"], found["cost"]) == (25, 1.2)
    for mark in (
        *found["symptoms"],
        *found["readings"],
        *found["attempts"],
        found["minutes_mark"],
        found["cost_mark"],
    ):
        assert text[mark["start"] : mark["end"]] == mark["words"]


def test_with_a_family_its_own_rail_is_meant() -> None:
    shop = fresh_shop()
    family = a_family()
    families.save(shop, family)
    standby = next(rail for rail in family.rails if rail.role == "standby")
    found = asked(client_of(shop), text="standby 0 V", family=family.code)
    assert [one["rail"] for one in found["readings"]] == [standby.name]


def test_an_unknown_family_is_refused_by_name() -> None:
    answer = client_of(fresh_shop()).post("/api/read", json={"text": "dead", "family": "XX-1"})
    assert answer.status_code == 404
    assert answer.json()["error"]["field"] == "family"


def test_a_text_of_more_than_ten_thousand_characters_is_refused() -> None:
    answer = client_of(fresh_shop()).post("/api/read", json={"text": "x" * 10_001})
    assert answer.status_code == 422
    assert "text" in answer.json()["error"]["field"]


def test_a_reading_in_the_complaint_is_evidence() -> None:
    shop = fresh_shop()
    families.save(shop, a_family())
    client = client_of(shop)
    body = {"family": a_family().code, "text": "standby 0 V"}
    answer = client.post("/api/suggestions", json=body).json()
    assert {one["name"] for one in answer["understood"]} == {"no standby voltage"}
    measured = {"family": a_family().code, "readings": [{"rail": "5VSB", "supply": "standby", "value": 0.0}]}
    typed = client.post(
        "/api/suggestions", json={**measured, "symptoms": [{"name": "no standby voltage"}]}
    ).json()
    assert [cause["probability"] for cause in answer["causes"]] == [
        cause["probability"] for cause in typed["causes"]
    ]


def test_suggestions_list_the_readings_that_the_complaint_states() -> None:
    shop = fresh_shop()
    families.save(shop, a_family())
    body = {"family": a_family().code, "text": "standby 4.2 V, C9 replaced, now 5.05"}
    answer = client_of(shop).post("/api/suggestions", json=body).json()
    assert [(one["rail"], one["value"], one["after_repair"]) for one in answer["heard"]] == [
        ("5VSB", 4.2, False),
        ("5VSB", 5.05, True),
    ]
    assert all(one["words"] in body["text"] for one in answer["heard"])


def test_a_complaint_that_the_page_marks_is_read_once() -> None:
    shop = fresh_shop()
    families.save(shop, a_family())
    case_texts.read_once.cache_clear()
    page = client_of(shop).get(
        "/diagnose", params={"family": a_family().code, "text": "relay clicks, no picture"}
    )
    assert page.status_code == 200
    assert case_texts.read_once.cache_info().misses == 1


def test_the_word_lists_are_ready_before_the_first_text() -> None:
    shop = fresh_shop()
    lexicon.lexicon_for.cache_clear()
    case_texts.warm(shop)
    made = lexicon.lexicon_for.cache_info().misses
    assert made == 1
    case_texts.read_text(shop, "relay clicks")
    assert lexicon.lexicon_for.cache_info().misses == made
