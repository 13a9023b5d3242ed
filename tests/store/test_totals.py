"""Numbers of cases and changes that are kept agree with the cases and changes, whatever is done to these."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from factories import a_case, a_family, bring, case_json, fresh_shop
from other_shops import OTHERS, origin, their_case
from sqlalchemy import text

from kb.model import NotedSymptom
from kb.service import Shop
from kb.service.cases import cases
from kb.service.history import bin, merges, undo_batch, versions
from kb.service.operate import integrity
from kb.service.transfer import origins
from kb.store.records import case_lists, families, kinds, totals


@pytest.fixture
def shop() -> Iterator[Shop]:
    made = fresh_shop()
    waits = {"worker": "bench 1", "waiting_for": "fuse", "waiting_since": "2026-03-04"}
    assert bring(
        made,
        a_family(),
        a_family("HX-210"),
        *(a_case(f"one-{number}") for number in range(3)),
        a_case("two", family="HX-210", received=None),
        case_json("open", verdict=None, closed=None, **waits),
    ).saved
    assert bring(made, origin(), their_case("theirs")).saved
    assert bring(made, origin(OTHERS, "Slipway bench"), their_case("others", origin=OTHERS)).saved
    yield made
    made.close()


def agree(shop: Shop) -> None:
    with shop.read() as session:
        assert totals.faults(session) == []


def kept(shop: Shop, what: str, item: str = "") -> int:
    with shop.read() as session:
        return totals.cases(session, what, item=item)


def test_what_is_brought_in_is_counted(shop: Shop) -> None:
    agree(shop)
    assert (kept(shop, "kept"), kept(shop, "open"), kept(shop, "waiting", "bench 1")) == (7, 1, 1)
    with shop.read() as session:
        assert case_lists.workers(session) == [("bench 1", 1)]
        assert families.get(session, "GL-31").cases == 6
        assert case_lists.own_closed(session, 5) == (["GL-31", "HX-210"], 0, [2026])
        assert totals.changes(session, entity="case") == 7


def test_saving_a_case_moves_what_it_counts_for(shop: Shop) -> None:
    record = cases.stored(shop, "open").record
    noted = [NotedSymptom(name="dead"), NotedSymptom(name="relay clicks repeatedly", present=False)]
    changed = {
        "family": "HX-210",
        "verdict": "not economical",
        "worker": "",
        "waiting_for": "",
        "symptoms": noted,
    }
    cases.save(shop, record.model_copy(update={**changed, "waiting_since": None}))
    agree(shop)
    assert (kept(shop, "open"), kept(shop, "waiting"), kept(shop, "worked", "bench 1")) == (0, 0, 0)
    cases.put_in_bin(shop, "open")
    agree(shop)
    assert (kept(shop, "kept"), kept(shop, "binned")) == (6, 1)
    cases.take_from_bin(shop, "open")
    agree(shop)
    cases.put_in_bin(shop, "open")
    bin.delete_for_good(shop, "case", "open")
    agree(shop)
    assert (kept(shop, "kept"), kept(shop, "binned")) == (6, 0)


@pytest.mark.parametrize(
    ("entity", "away", "into"),
    [
        ("family", "HX-210", "GL-31"),
        ("symptom", "relay clicks repeatedly", "dead"),
        ("part_class", "electrolytic capacitor", "relay"),
    ],
)
def test_merging_two_names_and_undoing_it_moves_their_cases(
    shop: Shop, entity: str, away: str, into: str
) -> None:
    cases.put_in_bin(shop, "one-0")
    before = merges.preview(shop, entity, away, into)
    batch = merges.join(shop, entity, away, into, dict.fromkeys(before.merged.open, "theirs"))
    agree(shop)
    with shop.read() as session:
        record_id = kinds.standing_of(session, entity, into).id
        assert totals.naming(session, entity, record_id, also_binned=True) >= before.cases
    undo_batch.undo_batch(shop, batch)
    agree(shop)
    assert merges.preview(shop, entity, away, into).cases == before.cases


def test_withdrawing_a_shop_and_undoing_an_import_take_their_cases_out(shop: Shop) -> None:
    origins.withdraw(shop, OTHERS)
    agree(shop)
    with shop.read() as session:
        assert OTHERS not in totals.by_item(session, "origin")
    assert bring(shop, a_case("late"), case_json("one-1", notes="looked at twice")).saved
    agree(shop)
    undo_batch.undo_batch(shop, versions.what_changed(shop).batches[0].id)
    agree(shop)


def test_what_was_damaged_is_said_and_made_again_by_a_check(shop: Shop) -> None:
    with shop.write() as session:
        session.execute(text("UPDATE case_total SET cases = 99 WHERE what = 'kept' AND family_id = 0"))
        session.execute(text("UPDATE board_case SET day = '1999-01-01' WHERE uid = 'two'"))
        session.execute(text("DELETE FROM change_total"))
    checked = integrity.check(shop)
    assert checked.faults == []
    assert "The numbers of cases that were kept for “kept” were wrong." in checked.mended
    assert "The numbers of changes that were kept were wrong." in checked.mended
    assert "The days by which cases are listed were wrong." in checked.mended
    agree(shop)
