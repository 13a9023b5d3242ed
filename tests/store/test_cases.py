"""Cases and families as the store keeps them: names, versions, history, the bin and the change feed."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from factories import a_case, a_family

from kb.errors import BadInput, Conflict, NotFound, Taken
from kb.model import CaseRecord, FollowUp, NotedSymptom, Reading, SymptomRecord, as_dict
from kb.service import Shop
from kb.service.boards import families, vocabulary
from kb.service.cases import cases
from kb.service.transfer import json_lines
from kb.store.records import changes
from kb.store.records import families as stored_families
from kb.store.records.cases import Writer


def feed(shop: Shop, after: int = 0) -> list[tuple[str, str, str]]:
    with shop.read() as session:
        return [(one.entity, one.key, one.operation) for one in changes.since(session, after)]


def newest(shop: Shop) -> int:
    return json_lines.newest_change(shop)


def test_a_case_comes_back_as_it_was_saved(stocked: Shop) -> None:
    given = a_case(
        "one",
        revision="B",
        customer="the ferry office",
        notes="first line\nsecond line",
        follow_ups=[FollowUp(date=date(2026, 9, 1), state="still working", note="phoned")],
        readings=[
            Reading(rail="5VSB", supply="standby", value=-4.7, written="-4V7"),
            Reading(point="TP3", quantity="ohm", supply="unpowered", min=0.1, max=0.3, after_repair=True),
        ],
    )
    saved = cases.save(stocked, given)
    assert as_dict(saved.record) == as_dict(given)
    assert saved.version == 1


def test_a_batch_is_written_as_single_cases_would_be(stocked: Shop) -> None:
    before = newest(stocked)
    batch = [a_case(f"case-{number:03}", complaint=f"complaint {number}") for number in range(120)]
    with stocked.store.write() as session:
        done = Writer(session).write(batch)
    assert (done.added, done.updated, done.unchanged) == (120, 0, 0)
    assert feed(stocked, before) == [("case", f"case-{number:03}", "added") for number in range(120)]
    assert cases.stored(stocked, "case-077").record.complaint == "complaint 77"
    with stocked.store.write() as session:
        again = Writer(session).write(
            [batch[3], batch[4].model_copy(update={"notes": "changed"}), a_case("new")]
        )
    assert (again.added, again.updated, again.unchanged) == (1, 1, 1)


def test_names_are_kept_under_the_lists_own_spelling(stocked: Shop) -> None:
    saved = cases.save(
        stocked,
        a_case(
            "one",
            family="gl31 b",
            symptoms=[NotedSymptom(name="RELAY TICKING"), NotedSymptom(name="Fuse Blown", present=False)],
            readings=[Reading(rail="5 vsb", supply="standby", value=4.7)],
        ),
    )
    assert saved.record.family == "GL-31"
    assert [entry.name for entry in saved.record.symptoms] == ["relay clicks repeatedly", "fuse blown"]
    assert saved.record.readings[0].rail == "5VSB"


def test_two_names_of_one_symptom_are_refused_at_the_second(stocked: Shop) -> None:
    twice = [NotedSymptom(name="relay clicks repeatedly"), NotedSymptom(name="relay ticking", present=False)]
    with pytest.raises(BadInput, match="are the same symptom") as caught:
        cases.save(stocked, a_case("one", symptoms=twice))
    assert caught.value.field == "symptoms.1.name"


def test_an_entrys_own_name_wins_over_the_same_words_as_a_synonym(stocked: Shop) -> None:
    vocabulary.save(stocked, SymptomRecord(name="hums", synonyms=["relay clicks repeatedly"]))
    saved = cases.save(stocked, a_case("one"))
    assert saved.record.symptoms[0].name == "relay clicks repeatedly"


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"family": "nobody knows it"}, "family"),
        ({"symptoms": [NotedSymptom(name="sings a shanty")]}, "symptoms.0.name"),
    ],
)
def test_an_unknown_name_is_refused_at_its_field_and_nothing_is_kept(
    stocked: Shop, changed: dict[str, Any], field: str
) -> None:
    before = newest(stocked)
    with pytest.raises(BadInput) as caught:
        cases.save(stocked, a_case("one", **changed))
    assert caught.value.field == field
    assert caught.value.remedy
    assert newest(stocked) == before
    assert not cases.exists(stocked, "one")


def test_an_edit_raises_the_version_and_keeps_the_earlier_one(stocked: Shop) -> None:
    first = cases.save(stocked, a_case("one"))
    second = cases.save(stocked, a_case("one", notes="mended twice"), expected_version=first.version)
    assert second.version == 2
    (old,) = cases.history(stocked, "one")
    assert old["version"] == 1
    assert old["record"] == as_dict(first.record)


def test_saving_the_same_again_changes_nothing(stocked: Shop) -> None:
    first = cases.save(stocked, a_case("one"))
    before = newest(stocked)
    assert cases.save(stocked, a_case("one"), expected_version=first.version).version == 1
    assert newest(stocked) == before
    assert cases.history(stocked, "one") == []


def test_an_edit_of_an_older_version_is_a_conflict_and_overwrites_nothing(stocked: Shop) -> None:
    cases.save(stocked, a_case("one"))
    cases.save(stocked, a_case("one", notes="theirs"), expected_version=1)
    before = newest(stocked)
    with pytest.raises(Conflict):
        cases.save(stocked, a_case("one", notes="mine"), expected_version=1)
    assert cases.stored(stocked, "one").record.notes == "theirs"
    assert newest(stocked) == before


def test_an_edit_of_a_case_that_never_was_is_not_found(stocked: Shop) -> None:
    with pytest.raises(NotFound):
        cases.save(stocked, a_case("gone"), expected_version=1)
    assert not cases.exists(stocked, "gone")


def test_adding_a_case_whose_uid_is_taken_is_refused(stocked: Shop) -> None:
    cases.add_new(stocked, a_case("one"))
    with pytest.raises(Taken):
        cases.add_new(stocked, a_case("one", notes="another board"))
    assert cases.stored(stocked, "one").record.notes == ""


def test_the_bin_hides_a_case_everywhere_and_gives_it_back(stocked: Shop) -> None:
    cases.save(stocked, a_case("one"))
    cases.save(stocked, a_case("two"))
    cases.put_in_bin(stocked, "one")
    assert cases.stored(stocked, "one").binned_at is not None
    assert cases.listed(stocked, "all", limit=10, offset=0)[0] == 1
    assert [entry.uid for entry in cases.listed(stocked, "binned", limit=10, offset=0)[1]] == ["one"]
    assert '"uid":"one"' not in "".join(json_lines.export_lines(stocked))
    assert families.fixes(stocked, "GL-31")[0].record.tried == 1
    cases.take_from_bin(stocked, "one")
    assert cases.stored(stocked, "one").binned_at is None
    assert families.fixes(stocked, "GL-31")[0].record.tried == 2
    assert feed(stocked)[-2:] == [("case", "one", "binned"), ("case", "one", "restored")]


def test_the_bin_refuses_an_older_version(stocked: Shop) -> None:
    cases.save(stocked, a_case("one"))
    cases.save(stocked, a_case("one", notes="newer"), expected_version=1)
    with pytest.raises(Conflict):
        cases.put_in_bin(stocked, "one", expected_version=1)
    assert cases.stored(stocked, "one").binned_at is None


def test_a_record_and_its_row_in_the_feed_are_kept_or_lost_together(stocked: Shop) -> None:
    before = newest(stocked)

    def fails_at_the_end() -> None:
        with stocked.store.write() as session:
            Writer(session).write([a_case("one")])
            assert changes.latest(session)[0] == before + 1
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails_at_the_end()
    assert newest(stocked) == before
    assert not cases.exists(stocked, "one")


def test_change_numbers_only_grow_and_each_has_a_nonce_of_its_own(stocked: Shop) -> None:
    for number in range(5):
        cases.save(stocked, a_case(f"case-{number}"))
    with stocked.store.read() as session:
        found = changes.since(session, 0)
        assert changes.is_on_record(session, (found[-1].seq, found[-1].nonce))
        assert not changes.is_on_record(session, (found[-1].seq, "another store's"))
        assert not changes.is_on_record(session, (found[-1].seq + 1, found[-1].nonce))
    assert [one.seq for one in found] == sorted({one.seq for one in found})
    assert len({one.nonce for one in found}) == len(found)


def test_a_family_is_found_by_any_of_its_numbers_however_written(stocked: Shop) -> None:
    for typed in ("GL-31", "gl31", "gl 31", "GL31-B", "gl31b", "PIER DISPLAY", "pier_display"):
        assert families.get(stocked, typed)[0].code == "GL-31", typed


def test_a_number_cannot_name_two_families(stocked: Shop) -> None:
    with pytest.raises(Taken) as caught:
        families.save(stocked, a_family("WB-7", aliases=["gl31b"]))
    assert caught.value.field == "aliases"
    assert families.find(stocked, "WB-7") is None


def test_a_family_edit_of_an_older_version_is_a_conflict(stocked: Shop) -> None:
    families.save(stocked, a_family(notes="first"), expected_version=1)
    with pytest.raises(Conflict):
        families.save(stocked, a_family(notes="second"), expected_version=1)
    with stocked.store.read() as session:
        assert stored_families.get(session, "GL-31").record.notes == "first"
        assert changes.replaced(session, "family", "GL-31")[0]["version"] == 1


def test_a_changed_family_touches_all_its_cases_in_the_derived_copies(stocked: Shop) -> None:
    cases.save(stocked, a_case("one"))
    families.save(stocked, a_family(aliases=["Quay lamp 9"]))
    found = stocked.derived.index.search("quay lamp", limit=5)
    assert [hit.uid for hit in found.hits] == ["one"]


def test_case_fields_that_are_empty_stay_empty(stocked: Shop) -> None:
    saved = cases.save(stocked, CaseRecord(family="GL-31"))
    assert saved.record.uid
    assert as_dict(saved.record) == {"record": "case", "uid": saved.record.uid, "family": "GL-31"}
