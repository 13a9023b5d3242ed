"""The track record page and API, and how long fixes last."""

from __future__ import annotations

import re
import threading
from datetime import date
from html import unescape
from typing import Any

import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring, demo_lines, filled_shop, fresh_shop
from web_client import Client

from kb.errors import StoreTrouble
from kb.service import Shop
from kb.service.diagnose import track_records
from kb.suggest import Ledger, Settings, over_time, track_record

# Enough for a record, which takes the longer the more there are.
FEW = [line for line in demo_lines() if b'"record":"case"' not in line]
FEW += [line for line in demo_lines() if b'"record":"case"' in line][:60]


def few_boards() -> Shop:
    """The demo with its first sixty cases."""

    def fill(shop: Shop) -> None:
        assert bring(shop, *FEW).saved

    return filled_shop("the demo's first cases", fill)


def words(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(html)))


@pytest.fixture
def page(demo: Client) -> str:
    answer = demo.get("/track-record")
    assert answer.status_code == 200
    return answer.text


def test_one_sentence_comes_first_then_pictures_then_numbers(page: str) -> None:
    sentence = page.index("looked at one by one without their own record")
    assert (
        sentence < page.index("<svg viewBox", sentence) < page.index("The numbers") < page.index("Log loss")
    )


def test_the_sentence_says_the_shares_that_the_data_hold(demo: Client) -> None:
    answer = demo.get("/api/track-record").json()
    overall = answer["overall"]
    found = re.search(
        r"On your (\d+) repaired boards.* right on (\d+) of 100, .* first three on (\d+) of 100; "
        r".* right on (\d+)\.",
        answer["sentence"],
    )
    assert found
    assert [int(part) for part in found.groups()] == [
        overall["ranking"]["cases"],
        round(100 * overall["ranking"]["first_share"]),
        round(100 * overall["ranking"]["first_three_share"]),
        round(100 * overall["baseline"]["first_share"]),
    ]


def test_the_api_answers_the_leave_one_out_figures_of_the_counts(demo: Client) -> None:
    with demo.shop.derived.counts() as (ledger, weights):
        direct = track_record(ledger, weights).overall
    overall = demo.get("/api/track-record").json()["overall"]
    for name in ("ranking", "baseline"):
        for figure in ("cases", "first", "first_three", "log_loss", "brier", "calibration_error"):
            assert overall[name][figure] == pytest.approx(getattr(getattr(direct, name), figure))


def test_the_book_beats_the_most_frequent_fault_on_the_demo_store(demo: Client) -> None:
    overall = demo.get("/api/track-record").json()["overall"]
    assert overall["ranking"]["first"] > overall["baseline"]["first"]
    assert overall["ranking"]["log_loss"] < overall["baseline"]["log_loss"]


def test_families_periods_and_bins_count_every_case_once(demo: Client) -> None:
    answer = demo.get("/api/track-record").json()
    cases = answer["overall"]["ranking"]["cases"]
    assert sum(one["ranking"]["cases"] for one in answer["families"]) == cases == answer["scored"]
    assert sum(one["cases"] for one in answer["overall"]["ranking"]["bins"]) == cases
    assert 0 < sum(one["ranking"]["cases"] for one in answer["periods"]) < cases


def test_every_year_but_the_first_is_predicted_by_the_years_before(demo: Client) -> None:
    with demo.shop.derived.counts() as (ledger, weights):
        trust = track_records.record(demo.shop)
        cuts = [date.fromisoformat(one.name) for one in trust.record.periods]
        direct = over_time(ledger, weights, cuts)
    assert [cut.month for cut in cuts] == [1] * len(cuts)
    assert [one.ranking.first for one in trust.record.periods] == [one.ranking.first for one in direct]


def test_pictures_have_a_title_and_a_description(page: str) -> None:
    pictures = re.findall(r'<svg viewBox[^>]*role="img" aria-labelledby="([^ "]+) ([^"]+)"', page)
    assert len(pictures) > 3
    for title, description in pictures:
        assert f'<title id="{title}">' in page
        assert f'<desc id="{description}">' in page
    assert len({title for title, _ in pictures}) == len(pictures)


def test_pictures_use_no_inline_style(page: str) -> None:
    assert "style=" not in page


def test_an_empty_store_has_no_record_and_says_so(empty: Client) -> None:
    text = words(empty.get("/track-record").text)
    assert "There is no repaired case with a known fix yet" in text
    answer = empty.get("/api/track-record")
    assert answer.status_code == 200
    assert answer.json()["overall"]["ranking"]["cases"] == 0
    assert "NaN" not in answer.text


def test_one_repaired_board_is_a_record_of_one(client: Client) -> None:
    answer = client.get("/api/track-record")
    assert answer.status_code == 200
    assert answer.json()["cases"] in (0, 1)
    assert client.get("/track-record").status_code == 200


def test_a_case_less_makes_the_record_again() -> None:
    shop = few_boards()
    before = track_records.record(shop)
    assert track_records.record(shop) is before
    with shop.derived.counts() as (ledger, _):
        uid = next(ledger.uids())
    client = Client(shop)
    assert client.call("DELETE", f"/api/cases/{uid}").status_code == 204
    after = track_records.record(shop)
    assert after is not before
    assert after.stored == before.stored - 1
    client.close()


def held_up(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """Lets a record be worked out only once the answered event is set."""
    go_on, work_out = threading.Event(), track_records._work_out

    def waiting(ledger: Ledger, weights: Settings) -> track_records.Trust:
        assert go_on.wait(STUCK_S)
        return work_out(ledger, weights)

    monkeypatch.setattr(track_records, "_work_out", waiting)
    return go_on


def test_a_large_store_is_worked_out_in_the_background(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(track_records, "_AT_ONCE", 10)
    shop = few_boards()
    go_on = held_up(monkeypatch)
    with pytest.raises(StoreTrouble):
        track_records.record(shop, wait_s=0.01)
    go_on.set()
    assert track_records.record(shop).known > 10
    shop.close()


def test_a_record_of_a_store_that_has_since_grown_much_is_never_shown_as_the_present_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One case, then many: the record of one is kept, but not what anybody is told."""
    monkeypatch.setattr(track_records, "_AT_ONCE", 0)
    shop = fresh_shop()
    assert bring(shop, a_family(), a_case()).saved
    assert track_records.record(shop).known == 1
    assert bring(shop, *FEW).saved
    go_on = held_up(monkeypatch)
    with pytest.raises(StoreTrouble):
        track_records.record(shop, wait_s=0.01)
    go_on.set()
    assert track_records.record(shop).known > 20
    shop.close()


def test_a_subset_is_said_to_be_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(track_records, "MOST_SCORED", 20)
    shop = few_boards()
    trust = track_records.record(shop)
    assert trust.scored == 20 < trust.known
    assert trust.sentence.startswith(f"On 20 of your {trust.known} repaired boards")
    shop.close()


def test_how_often_it_was_right_before_comes_from_boards_as_sure(demo: Client) -> None:
    found = track_records.before(demo.shop, 0.55)
    assert found is not None
    assert found.low <= 0.55 < found.high
    assert found.cases > 0
    assert track_records.before(demo.shop, 1.0) is not None


def test_a_familys_page_says_how_many_still_work_after_a_year(demo: Client) -> None:
    html = demo.get("/families/HX-210").text
    assert re.search(r"\d+ % \(\d+–\d+ %\), \d+ boards followed", words(html))
    assert "How long the fixes last" in html
    assert 'class="k-line"' in html


def test_the_still_working_figure_is_the_same_in_the_api_and_on_the_page(demo: Client) -> None:
    text = words(demo.get("/families/HX-210").text)
    shown = 0
    for fix in demo.get("/api/families/HX-210/fixes").json()["fixes"]:
        still = fix["still_working"]
        if still and still["followed"] >= 5:
            low, high = (round(100 * end) for end in still["interval"])
            assert f"({low}–{high} %), {still['followed']} boards followed" in text
            shown += 1
    assert shown


def test_what_was_worked_out_serves_the_next_request_too(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every request has a copy of the shop of its own; the work behind it is one."""
    worked_out = []
    whole = track_records.track_record

    def counted(*given: Any, **more: Any) -> Any:
        worked_out.append(1)
        return whole(*given, **more)

    monkeypatch.setattr(track_records, "track_record", counted)
    for _ in range(3):
        assert client.post("/api/suggestions", json={"family": "GL-31"}).status_code == 200
    assert len(worked_out) <= 1
    for _ in range(3):
        assert client.get("/track-record").status_code == 200
    assert len(worked_out) <= 2


def test_what_general_knowledge_and_sub_patterns_add_is_said_in_words(demo: Client) -> None:
    sentences = track_records.adds(demo.shop, wait_s=STUCK_S)
    assert sentences
    assert sentences[0].startswith(
        "What the trade knows in general, beside your own cases: the first suggestion"
    )
    assert re.search(r"right on \d+ of \d+ boards, without it on \d+", sentences[0])
    assert "one fault" in sentences[1]
    assert track_records.adds(demo.shop) == sentences
    assert sentences[0] in words(demo.get("/track-record").text)
