"""Undoing a batch: everything goes back to what it was, and nobody's later work is touched."""

from __future__ import annotations

import pytest
from factories import a_case, a_family, bring, exported, fresh_shop
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tiers import examples

from kb.errors import BadInput, InUse, NotFound
from kb.model import LoadRecord, NotedSymptom, PartClassRecord, SymptomRecord
from kb.service import Shop
from kb.service.boards import families, vocabulary
from kb.service.cases import cases
from kb.service.find import case_search
from kb.service.find.case_search import Filters
from kb.service.history import undo_batch
from kb.store.records import bins

HUM = SymptomRecord(name="hums like a ferry", synonyms=["drones"])


def test_what_an_import_added_goes_to_the_bin_and_comes_back(shop: Shop) -> None:
    before = exported(shop)
    report = bring(
        shop, HUM, a_family(), a_case("one", symptoms=[NotedSymptom(name="drones")]), a_case("two")
    )
    after = exported(shop)
    seen = undo_batch.preview_undo(shop, report.batch)
    done = undo_batch.undo_batch(shop.acting_as("front desk"), report.batch)
    assert (seen.to_bin, seen.left_alone) == (done.to_bin, done.left_alone) == (4, 0)
    assert exported(shop) == before
    assert case_search.search(shop, "relay", Filters(), limit=5, offset=0).results.total == 0
    undo_batch.undo_batch(shop, done.batch)
    assert exported(shop) == after
    assert case_search.search(shop, "relay", Filters(), limit=5, offset=0).results.total == 2


def test_what_an_import_changed_gets_its_earlier_version_back(shop: Shop) -> None:
    load = LoadRecord(name="lamp", kind="resistor", ohm=10.0)
    bring(shop, HUM, load, a_family(aliases=["GL31-B"]), a_case("one"), a_case("two"))
    before = exported(shop)
    report = bring(
        shop,
        SymptomRecord(name="Hums like a ferry", minutes=3.0),
        PartClassRecord(name="porthole"),
        load.model_copy(update={"ohm": 12.0}),
        a_family(notes="the second book", aliases=["Pier display"]),
        a_case("one", notes="from the second book"),
        a_case("three"),
    )
    done = undo_batch.undo_batch(shop, report.batch)
    assert (done.to_bin, done.earlier, done.left_alone) == (2, 4, 0)
    assert exported(shop) == before
    assert cases.stored(shop, "one").version == 3


def test_what_was_changed_since_is_left_alone_and_named(shop: Shop) -> None:
    bring(shop, a_family(), a_case("one"))
    report = bring(shop, a_case("one", notes="imported"), a_case("two"), a_case("three"))
    cases.save(shop.acting_as("bench 2"), a_case("one", notes="better"), expected_version=2)
    cases.save(shop.acting_as("bench 2"), a_case("two", notes="mine"), expected_version=1)
    for undone in (undo_batch.preview_undo(shop, report.batch), undo_batch.undo_batch(shop, report.batch)):
        assert (undone.to_bin, undone.earlier, undone.left_alone) == (1, 0, 2)
        assert {(one.entity, one.key) for one in undone.left} == {("case", "one"), ("case", "two")}
        assert all(one.reason.startswith("It was changed since by bench 2 on 20") for one in undone.left)
    assert cases.stored(shop, "one").record.notes == "better"
    assert cases.stored(shop, "two").binned_at is None


def test_a_family_that_other_cases_name_by_now_stays(shop: Shop) -> None:
    report = bring(shop, HUM, a_family(), a_case("one"))
    cases.save(shop, a_case("later", symptoms=[NotedSymptom(name=HUM.name)]))
    for undone in (undo_batch.preview_undo(shop, report.batch), undo_batch.undo_batch(shop, report.batch)):
        assert undone.to_bin == 1
        assert {one.entity: one.reason for one in undone.left} == {
            "family": "1 case names the board family GL-31, so it stays.",
            "symptom": f"1 case names the symptom {HUM.name}, so it stays.",
        }
    assert families.find(shop, "GL-31") is not None
    assert cases.stored(shop, "later").binned_at is None


def test_a_case_that_no_longer_names_what_the_import_added_lets_it_go(shop: Shop) -> None:
    """The import gave an existing case a new family; undone, the case has its old one and the new one goes."""
    bring(shop, a_family(), a_case("one"))
    report = bring(
        shop, HUM, a_family("HX-210"), a_case("one", "HX-210", symptoms=[NotedSymptom(name=HUM.name)])
    )
    seen = undo_batch.preview_undo(shop, report.batch)
    done = undo_batch.undo_batch(shop, report.batch)
    assert (seen.to_bin, seen.earlier) == (done.to_bin, done.earlier) == (2, 1)
    assert families.find(shop, "HX-210") is None
    assert cases.stored(shop, "one").record.family == "GL-31"


def test_what_an_earlier_version_names_comes_back_with_it(shop: Shop) -> None:
    bring(shop, HUM, a_family(), a_case("one", symptoms=[NotedSymptom(name=HUM.name)]))
    report = bring(shop, a_case("one", symptoms=[]))
    with shop.write() as session:
        bins.put(session, "symptom", HUM.name)
    done = undo_batch.undo_batch(shop, report.batch)
    assert done.brought_back == [f"symptom {HUM.name}"]
    assert cases.stored(shop, "one").record.symptoms == [NotedSymptom(name=HUM.name)]
    assert next(entry for entry in vocabulary.symptoms(shop) if entry.name == HUM.name).synonyms == ["drones"]


def test_a_case_that_lay_in_the_bin_before_an_import_lies_there_again(shop: Shop) -> None:
    bring(shop, a_family(), a_case("one"))
    cases.put_in_bin(shop, "one")
    before = exported(shop)
    report = bring(shop, a_case("one", notes="found again"), overwrite=True)
    assert cases.stored(shop, "one").binned_at is None
    undo_batch.undo_batch(shop, report.batch)
    assert cases.stored(shop, "one").binned_at is not None
    assert exported(shop) == before


def test_a_batch_is_undone_once(shop: Shop) -> None:
    report = bring(shop, a_family())
    first = undo_batch.undo_batch(shop.acting_as("front desk"), report.batch)
    for attempt in (undo_batch.preview_undo, undo_batch.undo_batch):
        with pytest.raises(BadInput, match="undone already by front desk on"):
            attempt(shop, report.batch)
    again = undo_batch.undo_batch(shop, first.batch)
    assert undo_batch.preview_undo(shop, again.batch).to_bin == 1
    with pytest.raises(NotFound):
        undo_batch.undo_batch(shop, "no such batch")


def test_an_undoing_that_finds_nothing_to_undo_keeps_nothing(shop: Shop) -> None:
    report = bring(shop, a_family())
    families.save(shop, a_family(notes="mine"), expected_version=1)
    done = undo_batch.undo_batch(shop, report.batch)
    assert (done.batch, done.total, done.left_alone) == ("", 0, 1)
    assert undo_batch.preview_undo(shop, report.batch).left_alone == 1


@pytest.mark.parametrize("when", ["progress", "before_keeping"])
def test_an_undoing_that_is_stopped_keeps_nothing(shop: Shop, when: str) -> None:
    report = bring(shop, a_family(), a_case("one"))
    before = exported(shop)

    def stop(*_: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        undo_batch.undo_batch(shop, report.batch, **{when: stop})  # type: ignore[arg-type]
    assert exported(shop) == before
    assert undo_batch.preview_undo(shop, report.batch).total == 2


def test_a_family_with_cases_cannot_go_to_the_bin(stocked: Shop) -> None:
    cases.save(stocked, a_case("one"))
    with stocked.write() as session, pytest.raises(InUse, match="1 case names the board family GL-31"):
        bins.put(session, "family", "gl31")
    cases.put_in_bin(stocked, "one")
    with stocked.write() as session:
        assert bins.put(session, "family", "gl31")
    assert families.find(stocked, "GL-31") is None
    assert cases.view(stocked, "one").family.code == "GL-31"
    cases.take_from_bin(stocked, "one")
    assert families.find(stocked, "GL-31") is not None


_SOME = st.sampled_from(["", "as found", "second look"])
_UIDS = [f"c{number}" for number in range(6)]


@st.composite
def _records(draw: st.DrawFn) -> list[object]:
    """A mix of families, lists and cases, each in one of a few shapes, so that two draws overlap."""
    codes = draw(st.lists(st.sampled_from(["GL-31", "HX-210", "WB-7"]), min_size=1, unique=True))
    names = draw(st.lists(st.sampled_from(["hums", "sings", "Clatters"]), unique=True))
    kinds = draw(st.lists(st.sampled_from(["porthole", "cleat"]), unique=True))
    records: list[object] = [
        *(SymptomRecord(name=name, minutes=draw(st.sampled_from([1.0, 2.0]))) for name in names),
        *(PartClassRecord(name=name, synonyms=draw(st.sampled_from([[], ["knob"]]))) for name in kinds),
        *(
            LoadRecord(name=name, kind="resistor", ohm=draw(st.sampled_from([8.0, 10.0])))
            for name in draw(st.lists(st.sampled_from(["lamp", "coil"]), unique=True))
        ),
        *(
            a_family(code, notes=draw(_SOME), aliases=draw(st.sampled_from([[], [code + "-B"]])))
            for code in codes
        ),
    ]
    for uid in draw(st.lists(st.sampled_from(_UIDS), unique=True)):
        noted = [NotedSymptom(name=name, present=draw(st.booleans())) for name in names]
        records.append(
            a_case(
                uid,
                draw(st.sampled_from(codes)),
                notes=draw(_SOME),
                symptoms=draw(st.sampled_from([[], noted])),
            )
        )
    return records


@settings(
    max_examples=examples(40),
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(_records(), _records(), st.sets(st.sampled_from(_UIDS)))
def test_an_import_undone_leaves_the_export_of_before_byte_for_byte(
    first: list[object], second: list[object], binned: set[str]
) -> None:
    shop = fresh_shop()
    assert bring(shop, *first, refresh=False).saved
    with shop.write() as session:
        bins.put_cases(session, sorted(binned))
    before = exported(shop)
    report = bring(shop, *second, refresh=False)
    assert report.saved
    after = exported(shop)
    if after != before:
        seen = undo_batch.preview_undo(shop, report.batch)
        done = undo_batch.undo_batch(shop, report.batch, refresh=False)
        assert (seen.to_bin, seen.earlier, seen.out_of_bin) == (done.to_bin, done.earlier, done.out_of_bin)
        assert done.left_alone == seen.left_alone == 0
        assert exported(shop) == before
        undo_batch.undo_batch(shop, done.batch, refresh=False)
        assert exported(shop) == after
    shop.close()
