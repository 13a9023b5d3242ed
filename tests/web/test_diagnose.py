"""The diagnose screen and the suggestions of the API, on the demo store."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from html import unescape
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

import httpx
import pytest
from web_client import Client

EVIDENCE = {
    "family": "HX-210",
    "text": "relay ticks no pictur wobbly",
    "symptoms": [{"name": "fuse blown", "present": False}],
    "readings": [
        {
            "rail": "5VSB",
            "quantity": "dc_v",
            "supply": "standby",
            "load": "none",
            "value": 4.7,
            "min": None,
            "max": None,
        }
    ],
}
PAGE = (
    "/diagnose?family=HX-210&text=relay+ticks&symptom=fuse+blown&state=not+present&reading=5VSB+4.7+standby"
)
Ask = Callable[..., httpx.Response]


def asking(client: Client) -> Ask:
    """GET without a body, POST with one: records as JSON, text as it is."""

    def ask(path: str, body: dict[str, Any] | str | None = None) -> httpx.Response:
        if body is None:
            return client.get(path)
        return client.post(path, content=body) if isinstance(body, str) else client.post(path, json=body)

    return ask


@pytest.fixture
def demo(demo: Client) -> Ask:
    return asking(demo)


@pytest.fixture
def empty(empty: Client) -> Ask:
    return asking(empty)


def everything(answer: dict[str, Any]) -> float:
    """The sum of the causes that are answered, of those beyond them, and of what was never seen."""
    causes = math.fsum(cause["probability"] for cause in answer["causes"])
    return float(causes + answer["unseen_probability"])


def page(ask: Ask, path: str) -> str:
    answer = ask(path)
    assert answer.status_code == 200, answer.text[:400]
    return unescape(answer.text)


def shown(text: str) -> str:
    """The words of a page without tags and doubled space."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def link(text: str, words: str) -> str:
    """Address of the first link whose words begin like this."""
    found = re.search(r'<a [^>]*href="([^"]+)"[^>]*>\s*' + re.escape(words), text)
    assert found, f"no link {words!r}"
    return found[1]


def link_unseen(text: str, unseen: str, words: str = "") -> str:
    """Address of the link whose words for a screen reader these are."""
    for found in re.finditer(r'<a [^>]*href="([^"]+)"[^>]*>(.*?)</a>', text, re.DOTALL):
        if shown(found[2]).strip().replace(" :", ":") == f"{words}{unseen}":
            return found[1]
    raise AssertionError(f"no link {words}{unseen!r}")


def evidence_part(text: str) -> str:
    """What the page says that the ranking rests on, with the ranking."""
    return shown(text[text.index("Likely causes") : text.index("Worth finding out next")])


def error_at(text: str, field: str) -> str:
    found = re.search(rf'id="f-{re.escape(field)}-error">(.*?)</span></span>', text, re.DOTALL)
    assert found, f"no error at {field}"
    return shown(found[1]).strip()


def leading(text: str) -> str:
    found = re.search(r'data-lead="([^"]*), [^",]*"', text)
    assert found
    return found[1]


# ---- the contract ---------------------------------------------------------------------------------


def test_a_suggestion_has_every_agreed_field(demo: Ask) -> None:
    answer = demo("/api/suggestions", EVIDENCE).json()
    assert {
        "causes",
        "unseen_probability",
        "cases_used",
        "evidence_strength",
        "unknown_terms",
    } <= answer.keys()
    for cause in answer["causes"]:
        assert {
            "section",
            "part_class",
            "parts",
            "failures",
            "probability",
            "tried",
            "cured",
            "cure_rate",
            "interval",
            "cost",
            "minutes",
            "evidence",
            "cases",
        } <= cause.keys()
        assert all(part.keys() == {"part", "cases"} for part in cause["parts"])
        assert all(line.keys() == {"label", "weight"} for line in cause["evidence"])
    assert answer["unknown_terms"] == ["wobbly"]


@pytest.mark.parametrize("asked", [{}, EVIDENCE, {"family": "NO-SUCH"}, {"text": "no hum, bang heard"}])
def test_probabilities_and_the_unseen_share_sum_to_one(demo: Ask, asked: dict[str, Any]) -> None:
    answer = demo("/api/suggestions", asked).json()
    assert everything(answer) == pytest.approx(1.0, abs=1e-9)
    assert answer["causes"]


def test_cheapest_first_is_never_dearer_than_most_likely_first(demo: Ask) -> None:
    likely = demo("/api/suggestions", EVIDENCE).json()
    cheapest = demo("/api/suggestions", {**EVIDENCE, "order": "cheapest"}).json()
    assert cheapest["expected_cost"] <= likely["expected_cost"] + 1e-9


def test_a_replacement_price_says_how_far_repair_pays(demo: Ask) -> None:
    assert demo("/api/suggestions", EVIDENCE).json()["stop"] is None
    free = demo("/api/suggestions", {**EVIDENCE, "replacement_price": 0}).json()["stop"]
    assert (free["tries"], free["expected_cost"]) == (0, 0.0)
    answers = [
        demo("/api/suggestions?limit=200", {"family": "HX-210", "replacement_price": price}).json()
        for price in (5, 20, 80, 320, 1280, 100_000)
    ]
    tries = [answer["stop"]["tries"] for answer in answers]
    assert tries == sorted(tries)
    assert tries[0] < tries[-1] <= len(answers[-1]["causes"])
    costs = [answer["stop"]["expected_cost"] for answer in answers]
    assert costs == sorted(costs)
    assert costs[0] <= 5


@pytest.mark.parametrize("price", [-1, "ten", 1e9])
def test_a_replacement_price_that_is_none_is_refused_by_name(demo: Ask, price: object) -> None:
    answer = demo("/api/suggestions", {"replacement_price": price})
    assert answer.status_code == 422
    assert answer.json()["error"]["field"] == "replacement_price"


def test_what_if_names_the_ranking_without_each_line_of_evidence(demo: Ask) -> None:
    told = demo("/api/suggestions", {**EVIDENCE, "what_if": True}).json()["what_if"]
    assert {one["line"] for one in told} == {
        "fuse blown not present",
        "no picture",
        "relay clicks repeatedly",
        "standby rail low (standby, no load)",
    }
    without = demo("/api/suggestions", {**EVIDENCE, "symptoms": []}).json()
    fuse = next(one for one in told if one["line"] == "fuse blown not present")
    assert fuse["leading_probability"] == pytest.approx(
        max(cause["probability"] for cause in without["causes"]), abs=1e-9
    )
    assert [one["moved"] for one in told] == sorted((one["moved"] for one in told), reverse=True)


def test_next_measurements_have_every_agreed_field(demo: Ask) -> None:
    measurements = demo("/api/next-measurements", EVIDENCE).json()["measurements"]
    assert measurements
    for one in measurements:
        assert {"reading", "bits", "minutes", "powered", "why"} <= one.keys()


def test_before_any_live_reading_only_unpowered_checks_are_offered(demo: Ask) -> None:
    asked = {"family": "HX-210", "symptoms": [{"name": "dead"}]}
    measurements = demo("/api/next-measurements", asked).json()["measurements"]
    assert measurements
    assert not any(one["powered"] for one in measurements)


# ---- the page -------------------------------------------------------------------------------------


def test_five_causes_are_spread_and_the_rest_folded(demo: Ask) -> None:
    text = page(demo, PAGE)
    assert text.count('<li class="cause">') == 5
    assert "Something not recorded yet" in text
    assert re.search(r"<summary>\d+ more causes, together", text)


def test_twenty_causes_are_shown_and_the_rest_on_request(demo: Ask) -> None:
    text = page(demo, "/diagnose?text=dead")
    assert text.count('class="cause__number"') == 20
    every = page(demo, link(text, "show them"))
    assert every.count('class="cause__number"') > 20
    assert leading(every) == leading(text)


def test_what_was_read_from_the_complaint_is_marked_in_it_with_the_facts_beside(demo: Ask) -> None:
    words = "relay ticks, standby 4,2 V, changed C9, no change. wobbly"
    text = page(demo, "/diagnose?" + urlencode({"family": "HX-210", "text": words}))
    said = re.search(r'<p class="said prewrap">(.*?)</p>', text, re.DOTALL)
    assert said
    assert re.sub(r"<[^>]+>", "", said[1]) == words
    assert "<mark>relay ticks</mark>" in said[1]
    facts = shown(text[text.index('<ul class="facts">') : text.index("Likely causes")])
    assert "relay clicks repeatedly" in facts
    assert "4.2V standby" in facts
    assert "C9 electrolytic capacitor" in facts
    assert "no change" in facts
    assert "Not understood: “wobbly”." in facts


@pytest.mark.parametrize(
    ("words", "fact"),
    [
        ("relay ticks", "relay clicks repeatedly"),
        ("standby 4,2 V", "5VSB 4.2V standby"),
        ("changed C9, no change", "C9 electrolytic capacitor in standby output, replace, no change"),
    ],
)
def test_each_fact_read_is_left_out_with_one_press_and_taken_in_again_with_another(
    demo: Ask, words: str, fact: str
) -> None:
    text = page(demo, "/diagnose?" + urlencode({"family": "HX-210", "text": words}))
    without = page(demo, link_unseen(text, f"Leave out: {fact}"))
    assert f"Leave out: {fact}" not in without
    assert words in shown(without)
    before, after = evidence_part(text), evidence_part(without)
    assert before != after
    if "not_read" in without:
        again = page(demo, link_unseen(without, f": {fact}", "Take in"))
        assert evidence_part(again) == before


def test_a_number_in_the_complaint_counts_as_its_reading(demo: Ask) -> None:
    typed = page(demo, "/diagnose?family=HX-210&reading=5VSB+4.2+standby&symptom=standby+voltage+low")
    said = page(demo, "/diagnose?" + urlencode({"family": "HX-210", "text": "standby 4,2 V"}))
    assert leading(said) == leading(typed)
    assert "standby rail low (standby, no load)" in shown(said)


def test_each_line_of_evidence_has_a_link_without_it(demo: Ask) -> None:
    text = page(demo, PAGE)
    block = text[text.index('class="switches"') :]
    links = re.findall(r"<span>([^<]+)</span>.*?href=\"([^\"]+)\"", block[: block.index("</ul>")], re.DOTALL)
    assert {line for line, _ in links} == {
        "fuse blown not present",
        "relay clicks repeatedly",
        "standby rail low (standby, no load)",
    }
    for line, address in links:
        less = page(demo, address)
        assert line not in shown(less).partition("What the evidence does")[2].partition("Readings judged")[0]


def test_the_page_says_which_line_moves_the_ranking_most(demo: Ask) -> None:
    assert "What moves the ranking most:" in shown(page(demo, PAGE))


def test_the_cost_of_both_orders_is_said_in_a_sentence(demo: Ask) -> None:
    text = page(demo, PAGE)
    assert re.search(r"Covers it on average \d+ € a board", shown(text))
    assert re.search(r"Cheapest first it comes to (the same|[\d.]+ €) on average", shown(text))
    other = dict(parse_qsl(urlsplit(link(text, "Cheapest")).query))
    assert other["order"] == "cheapest"
    assert other["reading"] == "5VSB 4.7 standby"


def test_a_replacement_price_is_read_as_money_and_marks_the_list(demo: Ask) -> None:
    text = shown(page(demo, PAGE + "&price=%E2%82%AC+30,00"))
    assert "From here on a replacement at 30" in text
    assert "for no more than a replacement at 30 €" in text


def test_a_replacement_for_nothing_beats_every_repair(demo: Ask) -> None:
    assert "costs less than trying any of these" in shown(page(demo, PAGE + "&price=0"))


def test_the_ranking_says_how_long_a_fix_lasted(demo: Ask) -> None:
    assert re.search(
        r"Still working after 12 months[^:]*: \d+ % \(\d+–\d+ %\), \d+ boards followed",
        shown(page(demo, PAGE)),
    )


def test_the_ranking_alone_is_what_the_page_shows(demo: Ask) -> None:
    alone = page(demo, PAGE.replace("/diagnose?", "/diagnose/ranking?"))
    heard, _, ranking = alone.partition("</template>")
    whole = page(demo, PAGE)
    assert heard.partition('data-into="heard">')[2].strip() in whole
    assert ranking.strip() in whole


def test_what_was_found_is_noted_with_one_press(demo: Ask) -> None:
    text = page(demo, "/diagnose?family=HX-210&symptom=dead&state=present")
    name = re.search(r'class="next__head"><strong>([^<]+)</strong>', text)
    assert name
    noted = page(demo, link(text[name.start() :], "it is not"))
    assert f"{name[1]} not present" in shown(noted)


# ---- an empty store -------------------------------------------------------------------------------


def test_an_empty_store_says_so_and_offers_the_checks_for_the_kind_of_board(empty: Ask) -> None:
    text = shown(page(empty, "/diagnose?kind=battery+charger&symptom=dead"))
    assert "The store holds no repaired case yet: causes are ranked by general practice alone." in text
    assert "First checks for a battery charger" in text
    assert "With the battery off" in text
    assert "General practice , no case of your own" in text
    assert not re.search(r"cured \(|not tried yet|repaired cases?\b(?! yet)", text)
    answer = empty("/api/suggestions", {"kind": "battery charger"}).json()
    assert answer["cases_used"] == 0
    assert {cause["general_practice"] for cause in answer["causes"]} == {1.0}
    assert all(cause["cases"] == [] and cause["tried"] == 0 for cause in answer["causes"])
    assert any("With the battery off" in check for check in answer["first_checks"])


def test_one_case_is_one_cause_of_the_shops_own_and_the_sum_is_one(empty: Ask) -> None:
    case = {
        "record": "case",
        "family": "ONE-1",
        "received": "2026-03-02",
        "closed": "2026-03-03",
        "verdict": "repaired",
        "attempts": [
            {
                "part": "C9",
                "part_class": "electrolytic capacitor",
                "section": "standby output",
                "failure": "high ESR",
                "action": "replace",
                "result": "cured",
            }
        ],
    }
    assert empty("/api/families/ONE-1").status_code == 404
    family = '{"record":"family","code":"ONE-1","kind":"power supply"}'
    assert empty("/api/import", family).status_code == 200
    assert empty("/api/cases", case).status_code == 201
    answer = empty("/api/suggestions", {"family": "ONE-1", "symptoms": [{"name": "dead"}]}).json()
    own = [cause for cause in answer["causes"] if cause["cases"]]
    assert [(cause["section"], cause["part_class"]) for cause in own] == [
        ("standby output", "electrolytic capacitor")
    ]
    assert everything(answer) == pytest.approx(1.0, abs=1e-9)
    assert "1 case of your own and general knowledge" in shown(page(empty, "/diagnose?family=ONE-1&price=50"))


# ---- what cannot be used --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "field", "words"),
    [
        (
            "symptom=hiccup&state=present&symptom=hiccup&state=not+present",
            "symptom.1",
            "given as present and as not present",
        ),
        ("symptom=fuse+blow&state=present", "symptom.0", "Perhaps you mean “fuse blown”"),
        ("family=HX-210&reading=9V+4.7+standby", "reading.0", "family HX-210 has no such rail"),
        ("reading=XQ7+4.7+standby", "reading.0", "no board family is chosen"),
        ("family=HX-210&reading=4.7+standby", "reading.0", "rail or test point is missing"),
        ("family=HX-210&reading=5VSB+4.7", "reading.0", "in which state the supply was"),
        ("family=HX-210&reading=5VSB+2,200+standby", "reading.0", "ambiguous"),
        (
            "family=HX-210&reading=5VSB+4.7+standby&reading=5VSB+5+standby",
            "reading.1",
            "disagree: the first one is used",
        ),
        ("value=4.7&supply=standby", "rail", "does not say where it was measured"),
        ("family=NO-SUCH", "family", "No board family is known as NO-SUCH"),
        ("family=" + "x" * 300, "family", "longer than 200 characters"),
        ("family=HX%00210", "family", ""),
        ("text=" + "x" * 3000, "text", "longer than 2000 characters"),
        ("price=minus+two", "price", "is not an amount of money"),
        ("price=1,234.5", "price", "is not an amount of money"),
        ("symptom=" + "x" * 300, "symptom.0", "longer than"),
        ("&".join(f"symptom=s{n}&state=present" for n in range(70)), "symptom.59", ""),
    ],
)
def test_what_cannot_be_used_is_said_at_its_field(demo: Ask, query: str, field: str, words: str) -> None:
    text = page(demo, f"/diagnose?{query}")
    assert words in error_at(text, field)
    assert f'data-problem="{field}"' in page(demo, f"/diagnose/ranking?{query}")


def test_a_contradiction_is_refused_with_its_place(demo: Ask) -> None:
    asked = {"symptoms": [{"name": "no picture"}, {"name": "black screen", "present": False}]}
    answer = demo("/api/suggestions", asked)
    assert answer.status_code == 422
    assert answer.json()["error"]["field"] == "symptoms.1"


def test_the_own_entry_stands_against_the_complaint(demo: Ask) -> None:
    text = page(demo, "/diagnose?text=no+picture&symptom=no+picture&state=not+present")
    assert "The complaint says otherwise of “no picture”: your own entry counts." in text


def test_what_is_left_aside_does_not_hide_the_ranking(demo: Ask) -> None:
    text = page(demo, PAGE + "&reading=9V+1+running&price=x&symptom=gurgles&state=present")
    assert leading(text) == leading(page(demo, PAGE))


def test_two_rails_of_one_role_are_not_both_counted_silently(empty: Ask) -> None:
    family = (
        '{"record":"family","code":"TWO-2","kind":"power supply","rails":['
        '{"name":"3V3","role":"logic","nominal_v":3.3},{"name":"5V","role":"logic","nominal_v":5.0}]}'
    )
    assert empty("/api/import", family).status_code == 200
    text = page(empty, "/diagnose?family=TWO-2&reading=3V3+3.3+running&reading=5V+0+running")
    assert "3V3 is a logic rail too and was read first" in error_at(text, "reading.1")


@pytest.mark.parametrize("path", ["/diagnose", "/diagnose/ranking"])
@pytest.mark.parametrize(
    "query",
    [
        "symptom=%00&state=",
        "state=present&state=maybe",
        "order=dearest&kind=toaster",
        "rail=5VSB&value=abc",
        "reading=" + "9" * 400,
        "text=%F0%9F%94%A5+<script>",
        "price=99999999999",
    ],
)
def test_odd_addresses_still_answer_with_a_page(demo: Ask, path: str, query: str) -> None:
    text = demo(f"{path}?{query}")
    assert text.status_code == 200
    assert "<script>" not in text.text.replace('<script type="module"', "")


def test_the_tick_that_nothing_else_is_to_be_told_makes_silence_count_in_full(demo: Ask) -> None:
    page = demo("/diagnose?family=HX-210&text=relay+ticks&complete=yes").text
    assert re.search(r'name="complete" value="yes"\s+checked', page)
    # Every address on the page keeps it.
    assert "complete=yes" in page
    assert not re.search(r'name="complete" value="yes"\s+checked', demo("/diagnose?text=relay+ticks").text)
    body = {"family": "HX-210", "symptoms": [{"name": "relay clicks repeatedly"}]}
    so_far = demo("/api/suggestions", body).json()
    complete = demo("/api/suggestions", {**body, "complete": True}).json()
    assert [one["probability"] for one in so_far["causes"]] != [
        one["probability"] for one in complete["causes"]
    ]
    assert everything(complete) == pytest.approx(1.0, abs=1e-9)
    assert demo("/api/next-measurements", {**body, "complete": True}).status_code == 200
    assert demo("/api/suggestions", {**body, "complete": "perhaps"}).status_code == 422


def test_a_failed_fix_moves_its_cause_back_for_all_to_see(demo: Ask) -> None:
    body = {"family": "HX-210", "text": "stays dark, relay ticks, standby 4,2 V"}
    before = demo("/api/suggestions", body).json()["causes"][0]
    tried = [{"part": "C9", "result": "no change"}]
    after = demo("/api/suggestions", {**body, "attempts": tried}).json()
    fault = before["section"], before["part_class"]
    (again,) = [one for one in after["causes"] if (one["section"], one["part_class"]) == fault]
    assert before["probability"] > 0.99
    assert again["probability"] < 0.85
    assert everything(after) == pytest.approx(1.0, abs=1e-9)
    # What the readings point to next is next, and not what fails most often on such boards.
    others = [one["section"] for one in after["causes"] if (one["section"], one["part_class"]) != fault]
    assert others[0] == before["section"]
    page = unescape(demo("/diagnose?" + urlencode({**body, "tried": "changed C9, no good"})).text)
    assert "before the next part, look at the new one" in page
    assert "before the next part" not in unescape(demo("/diagnose?" + urlencode(body)).text)


@pytest.mark.parametrize(
    "more",
    [
        {"attempts": [{"part": "Q9999", "result": "no change"}]},
        {"attempts": [{"section": "main converter", "result": "worse"}] * 200},
        {"attempts": [{"part": "C9", "result": "no change"}, {"part": "C9", "result": "cured"}]},
        {"readings": [{"rail": "5VSB", "supply": "standby", "value": volts} for volts in (0.0, 5.0)]},
        {"readings": [{"rail": "NO SUCH RAIL", "supply": "running", "value": 5.0}]},
        {"kind": "steam engine"},
    ],
)
def test_odd_evidence_gets_an_answer_that_sums_to_one(demo: Ask, empty: Ask, more: dict[str, Any]) -> None:
    for ask, body in ((demo, {"family": "HX-210", **more}), (empty, more)):
        answer = ask("/api/suggestions", body)
        assert answer.status_code == 200, answer.text
        assert everything(answer.json()) == pytest.approx(1.0, abs=1e-9)
        assert "NaN" not in answer.text
        assert 0.0 <= answer.json()["in_order_probability"] <= 1.0


def test_bulk_at_rectified_mains_in_standby_is_as_it_should_be(empty: Ask) -> None:
    page = unescape(empty("/diagnose?reading=BULK+325+standby").text)
    assert "switched rail but shows" not in page
    assert "Bulk is charged: fuse, inrush limiter and rectifier carry." in page
