"""The quote of a case: written, printed, answered, kept, and set beside what the repair came to."""

from __future__ import annotations

import csv
import io
import re
from datetime import date
from html import unescape

import pytest
from factories import a_case, a_family, bring, exported, fresh_shop
from web_client import Client

from kb.model import Attempt, Quote
from kb.service.bench import reports
from kb.service.cases import cases, figures
from kb.service.operate import integrity

QUOTE = {
    "date": "2026-10-30",
    "price": "",
    "ceiling": "85,50",
    "covers": "Parts and work.",
    "warranty": "12 months",
    "valid_until": "2026-11-29",
}


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(text)))


def version_of(client: Client, uid: str = "board") -> str:
    return str(cases.stored(client.shop, uid).version)


@pytest.fixture
def bench(client: Client) -> Client:
    cured = Attempt(
        part="C9", part_class="electrolytic capacitor", section="standby output", result="cured",
        cost=1.2, minutes=20,
    )  # fmt: skip
    bring(
        client.shop,
        a_family("QT-1"),
        *(a_case(f"qt-{number}", "QT-1", attempts=[cured]) for number in range(12)),
        a_case("board", "QT-1", verdict=None, closed=None, attempts=[], customer="the ferry office"),
    )
    return client


def write(client: Client, **changed: str) -> object:
    return client.post("/cases/board/quote", data=QUOTE | {"version": version_of(client)} | changed)


def test_the_first_proposal_is_what_covers_nine_in_ten_such_boards_rounded_up(bench: Client) -> None:
    page = bench.get("/cases/board/quote?replacement=200")
    words = words_of(page.text)
    assert "Covers nine in ten" in words
    ceiling = re.search(r'id="f-ceiling"[^>]*value="([0-9.]+)"', page.text)
    assert ceiling
    assert float(ceiling[1]) > 0
    assert float(ceiling[1]) % 5 == 0


def test_a_quote_is_kept_with_its_case_and_reads_as_a_customer_reads(bench: Client) -> None:
    assert write(bench).status_code == 303
    record = cases.stored(bench.shop, "board").record
    assert record.quote == Quote(
        date=date(2026, 10, 30), ceiling=85.5, covers="Parts and work.", warranty="12 months",
        valid_until=date(2026, 11, 29),
    )  # fmt: skip
    words = words_of(bench.get("/cases/board/quote").text)
    assert "Quote for the repair of your board" in words
    assert "At most 85.50 €." in words.replace("\N{NO-BREAK SPACE}", " ")
    assert "the ferry office" in words
    assert "no answer yet" in words_of(bench.get("/cases/board").text)


def test_the_answer_is_noted_with_its_day_and_may_be_changed(bench: Client) -> None:
    write(bench)
    for answer, day in (("declined", "2026-10-31"), ("accepted", "")):
        data = {"answer": answer, "day": day, "version": version_of(bench)}
        assert bench.post("/cases/board/quote/answer", data=data).status_code == 303
    quote = cases.stored(bench.shop, "board").record.quote
    assert quote is not None
    assert (quote.accepted, quote.declined) == (bench.shop.today(), None)
    assert len(cases.history(bench.shop, "board")) == 3


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"ceiling": ""}, "price"),
        ({"price": "80"}, "price"),
        ({"ceiling": "1,2345"}, "ceiling"),
        ({"ceiling": "-5"}, "ceiling"),
        ({"ceiling": "12 dollars"}, "ceiling"),
        ({"valid_until": "2026-10-01"}, "valid_until"),
        ({"valid_until": "31.12.2026"}, "valid_until"),
        ({"date": "2027-06-01", "valid_until": ""}, "date"),
        ({"warranty": "x" * 201}, "warranty"),
    ],
)
def test_what_cannot_be_offered_is_refused_at_its_field(
    bench: Client, changed: dict[str, str], field: str
) -> None:
    answer = write(bench, **changed)
    assert answer.status_code == 422
    assert f'href="#f-{field}"' in answer.text
    assert cases.stored(bench.shop, "board").record.quote is None


def test_a_price_of_zero_is_an_offer(bench: Client) -> None:
    assert write(bench, price="0", ceiling="").status_code == 303
    assert "a fixed price" in bench.get("/cases/board/quote").text


def test_an_answer_before_the_quote_or_to_none_is_refused(bench: Client) -> None:
    assert (
        bench.post("/cases/board/quote/answer", data={"answer": "accepted", "version": "1"}).status_code
        == 422
    )
    write(bench)
    data = {"answer": "accepted", "day": "2026-10-01", "version": version_of(bench)}
    refused = bench.post("/cases/board/quote/answer", data=data)
    assert refused.status_code == 422
    assert "lies before the day of the quote" in words_of(refused.text)


def test_two_people_who_quote_at_once_overwrite_nothing(bench: Client) -> None:
    before = version_of(bench)
    write(bench)
    late = write(bench, ceiling="99", version=before)
    assert late.status_code == 422
    assert "changed by somebody else" in words_of(late.text)
    quote = cases.stored(bench.shop, "board").record.quote
    assert quote is not None
    assert quote.ceiling == 85.5


def test_editing_the_case_keeps_the_quote(bench: Client) -> None:
    write(bench)
    page = bench.get("/cases/board/edit").text
    kept = re.search(r'name="quote" value="([^"]+)"', page)
    assert kept
    data = {"version": version_of(bench), "family": "QT-1", "notes": "seen", "quote": unescape(kept[1])}
    assert bench.post("/cases/board", data=data).status_code == 303
    record = cases.stored(bench.shop, "board").record
    assert record.notes == "seen"
    assert record.quote is not None


def test_the_quote_goes_out_and_comes_back_with_the_case(bench: Client) -> None:
    write(bench)
    lines = exported(bench.shop)
    assert '"quote":{"date":"2026-10-30","ceiling":85.5' in lines
    other = fresh_shop()
    try:
        assert bring(other, *lines.encode().splitlines()).saved
        assert exported(other) == lines
        assert integrity.check(other).faults == []
    finally:
        other.close()


def test_the_month_shows_what_was_quoted_beside_what_it_came_to(bench: Client) -> None:
    rate = bench.shop.settings.bench_rate_per_hour
    fix = {"part_class": "fuse", "section": "mains input", "result": "cured"}
    made = {"date": date(2026, 10, 1), "valid_until": date(2026, 10, 31)}

    def closed(uid: str, quote: Quote, **attempt: object) -> object:
        tried = Attempt.model_validate({**fix, **attempt})
        return a_case(
            uid, "QT-1", received=date(2026, 10, 1), closed=date(2026, 10, 9), quote=quote, attempts=[tried]
        )

    answered = {"accepted": date(2026, 10, 2)}
    bring(
        bench.shop,
        closed("under", Quote(**made, price=100.0, **answered), cost=10.0, minutes=60),
        closed("over", Quote(**made, ceiling=5.0, **answered), cost=7.0),
        closed("no", Quote(**made, price=50.0, declined=date(2026, 10, 2))),
    )
    month = next(one for one in figures.by_month(bench.shop) if one.name == "2026-10")
    assert (month.quoted, month.quotes_accepted, month.quotes_declined, month.over_quote) == (3, 2, 1, 1)
    assert (month.quoted_cents, month.quoted_actual_cents) == (10_500, 1_700 + round(rate * 100))
    assert "Quoted and actual" in bench.get("/figures").text
    rows = list(csv.DictReader(io.StringIO(bench.get("/figures.csv").text.removeprefix("\ufeff"))))
    assert [row["accepted quotes came to"] for row in rows if row["month"] == "2026-10"] == ["105.00"]


def test_another_shops_case_has_no_quote(bench: Client) -> None:
    origin = "0" * 31 + "1"
    bring(
        bench.shop,
        {"record": "origin", "id": origin, "name": "other shop", "date": "2026-03-01"},
        a_case("theirs", "QT-1", origin=origin),
    )
    assert bench.get("/cases/theirs/quote").status_code == 422


@pytest.mark.parametrize(("answer", "warranty"), [("", ""), ("declined", ""), ("accepted", "12 months")])
def test_a_report_proposes_the_warranty_of_a_quote_that_was_accepted(
    bench: Client, answer: str, warranty: str
) -> None:
    given = {"date": "2026-10-30", "price": 60.0, "warranty": "12 months"} | (
        {answer: "2026-10-31"} if answer else {}
    )
    record = cases.stored(bench.shop, "board").record
    bring(bench.shop, record.model_copy(update={"quote": Quote.model_validate(given)}))
    assert cases.stored(bench.shop, "board").record.quote is not None
    found = reports.propose(bench.shop, "board")
    assert found["warranty"] == warranty
    assert bool(found["price"]) == (answer == "accepted")
