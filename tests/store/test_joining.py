"""Merging two that are one, and undoing it wholly."""

from __future__ import annotations

from typing import Any

import pytest
from factories import a_case, a_family, bring, exported

from kb.errors import BadInput
from kb.model import NotedSymptom, PartClassRecord, Rail, SymptomRecord
from kb.service import Shop
from kb.service.boards import families
from kb.service.cases import cases
from kb.service.find import case_search
from kb.service.find.case_search import Filters
from kb.service.history import bin as binning
from kb.service.history import merges, undo_batch
from kb.service.shop.jobs import Stopped
from kb.store.records import consistency


def noted(*names: str) -> list[NotedSymptom]:
    return [NotedSymptom(name=name.lstrip("-"), present=not name.startswith("-")) for name in names]


@pytest.fixture
def twins(shop: Shop) -> Shop:
    """Two families, two symptoms and two part classes that are one, each with cases."""
    assert bring(
        shop,
        SymptomRecord(name="hums", synonyms=["drones"]),
        SymptomRecord(name="hums loudly", synonyms=["roars"], minutes=3.0),
        PartClassRecord(name="porthole"),
        PartClassRecord(name="bullseye", letters=["B"]),
        a_family(aliases=["GL31-B"]),
        a_family("GL-310", aliases=["Pier 3"], fuse="T2A", rails=[Rail(name="5VSB", nominal_v=5.1)]),
        a_case("a1", symptoms=noted("hums")),
        a_case("b1", "GL-310", symptoms=noted("hums loudly", "-hums")),
        a_case("b2", "GL-310", symptoms=noted("-hums loudly", "fuse blown")),
    ).saved
    cases.put_in_bin(shop, "b2")
    return shop


@pytest.mark.parametrize("when", ["progress", "before_keeping"])
def test_a_merge_that_is_stopped_keeps_nothing(twins: Shop, when: str) -> None:
    def stop(*_: int) -> None:
        raise Stopped

    before = exported(twins)
    with pytest.raises(Stopped):
        merges.join(twins, "symptom", "hums loudly", "hums", {"minutes": "theirs"}, **{when: stop})  # type: ignore[arg-type]
    assert exported(twins) == before


def test_a_family_is_merged_with_its_numbers_its_cases_and_a_choice_where_rails_differ(twins: Shop) -> None:
    before = exported(twins)
    seen = merges.preview(twins, "family", "GL-310", "GL-31")
    assert seen.cases == 2
    assert {one.what for one in seen.merged.clashes} == {
        f"Rail 5VSB, {field}" for field in ("nominal", "role", "always on")
    }
    with pytest.raises(BadInput, match="it is not chosen which stays"):
        merges.join(twins, "family", "GL-310", "GL-31", {})
    assert exported(twins) == before
    choices: dict[str, Any] = {one.name: "theirs" for one in seen.merged.clashes}
    batch = merges.join(twins.acting_as("front desk"), "family", "GL-310", "GL-31", choices)
    record, _ = families.get(twins, "gl 310")
    assert (record.code, record.aliases, record.fuse) == ("GL-31", ["GL31-B", "GL-310", "Pier 3"], "T2A")
    assert [rail.nominal_v for rail in record.rails] == [5.0, 24.0]
    assert cases.stored(twins, "b2").record.family == "GL-31"
    assert case_search.search(twins, "", Filters(family="GL-31"), limit=5, offset=0).results.total == 2
    with twins.store.read() as session:
        assert list(consistency.feed_faults(session)) == []
    done = undo_batch.undo_batch(twins, batch)
    assert done.left_alone == 0
    assert exported(twins) == before
    assert cases.stored(twins, "b2").record.family == "GL-310"
    assert cases.stored(twins, "b2").binned_at is not None
    again = undo_batch.undo_batch(twins, done.batch)
    assert again.left_alone == 0
    assert families.get(twins, "GL-310")[0].code == "GL-31"


@pytest.mark.parametrize(
    ("entity", "away", "into"),
    [("symptom", "hums loudly", "hums"), ("part_class", "electrolytic capacitor", "bullseye")],
)
def test_a_list_entry_is_merged_and_the_merge_undone_whole(
    twins: Shop, entity: str, away: str, into: str
) -> None:
    before = exported(twins)
    seen = merges.preview(twins, entity, away, into)
    choices: dict[str, Any] = {one.name: "theirs" for one in seen.merged.clashes}
    batch = merges.join(twins, entity, away, into, choices)
    if entity == "symptom":
        assert cases.stored(twins, "b1").record.symptoms == noted("hums")
        assert cases.save(twins, a_case("new", symptoms=noted("roars"))).record.symptoms == noted("hums")
        cases.put_in_bin(twins, "new")
        binning.delete_for_good(twins, "case", "new")
    else:
        assert cases.stored(twins, "a1").record.attempts[0].part_class == "bullseye"
    assert undo_batch.undo_batch(twins, batch).left_alone == 0
    assert exported(twins) == before


def test_a_case_that_was_edited_since_keeps_the_edit_and_gets_its_family_back(twins: Shop) -> None:
    choices: dict[str, Any] = {
        one.name: "mine" for one in merges.preview(twins, "family", "GL-310", "GL-31").merged.clashes
    }
    batch = merges.join(twins, "family", "GL-310", "GL-31", choices)
    edited = cases.stored(twins, "b1")
    cases.save(twins, edited.record.model_copy(update={"notes": "later"}), expected_version=edited.version)
    seen, done = undo_batch.preview_undo(twins, batch), undo_batch.undo_batch(twins, batch)
    assert (seen.left_alone, done.left_alone) == (0, 0)
    kept = cases.stored(twins, "b1").record
    assert (kept.family, kept.notes) == ("GL-310", "later")


@pytest.mark.parametrize(
    ("away", "into", "reason"),
    [
        ("GL-31", "gl 31", "cannot be merged with itself"),
        ("GL31-B", "GL-310", "another name of the board family GL-31 already"),
        ("nobody", "GL-31", "There is no board family nobody"),
        ("HX-210", "GL-31", "lies in the bin"),
        ("GL-31", "HX-210", "lies in the bin"),
    ],
)
def test_a_merge_that_makes_no_sense_is_refused_with_the_reason(
    twins: Shop, away: str, into: str, reason: str
) -> None:
    families.save(twins, a_family("HX-210"))
    families.put_in_bin(twins, "HX-210")
    for attempt in (
        lambda: merges.preview(twins, "family", away, into),
        lambda: merges.join(twins, "family", away, into, {}),
    ):
        with pytest.raises(BadInput, match=reason):
            attempt()


def test_a_circular_merge_is_refused(twins: Shop) -> None:
    merges.join(twins, "part_class", "porthole", "bullseye", {})
    with pytest.raises(BadInput, match="porthole is another name of the part class bullseye already"):
        merges.join(twins, "part_class", "bullseye", "porthole", {})
