"""A change of the shop's own names of symptoms and parts takes effect at once, in every process."""

from __future__ import annotations

import gc
import threading
import weakref
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import commands
import numpy as np
import pytest
from commands import STUCK_S
from factories import TODAY, a_case, a_family, bring, encoded, settings_in, shop_in
from processes import bare_environment
from search_cases import generated_cases, generated_queries

from kb.model import PartClassRecord, SymptomRecord
from kb.search import Analysis, SearchIndex
from kb.service import Shop
from kb.service.boards import vocabulary
from kb.service.diagnose import case_facts
from kb.service.operate import health
from kb.service.shop import derived
from kb.store.records import lists

CASES = list(generated_cases(160))
SYMPTOMS, PARTS, TRADE = Analysis().names


def with_names(**changed: tuple[str, ...] | None) -> Analysis:
    """The standard names with the other names of some symptoms replaced, or (None) the symptom left out."""
    wanted = {name.replace("_", " "): others for name, others in changed.items()}
    kept = [(name, wanted.pop(name, others)) for name, others in SYMPTOMS]
    kept += list(wanted.items())
    return Analysis([(name, others) for name, others in kept if others is not None], PARTS, TRADE)


OLDER = with_names()
NEWER = with_names(
    # A name of its own, one that takes words away from shorter names, one with fewer names, one gone.
    gurgles=("salt crust", "hair dryer"),
    fuse_blown=("fuse gone", "blown fuse", "cover already open"),
    relay_clicks_repeatedly=(),
    no_picture=None,
)


def contents(index: SearchIndex) -> dict[str, tuple[dict[str, float], float]]:
    """What each live case is found by: weights by term, and its length."""
    found: dict[str, tuple[dict[str, float], float]] = {}
    for part in index._state.parts:
        segment = part.segment
        by_slot: dict[int, dict[str, float]] = {slot: {} for slot in np.flatnonzero(part.alive).tolist()}
        for term in segment.terms["text"]:
            start, end = segment.span(term)
            for slot, weight in zip(segment.ids[start:end], segment.weights[start:end], strict=True):
                if int(slot) in by_slot:
                    by_slot[int(slot)][term] = float(weight)
        for slot, weights in by_slot.items():
            found[segment.document(slot).uid] = weights, float(segment.lengths[slot])
    return found


def made_with(analysis: Analysis, folder: Path | None = None) -> SearchIndex:
    index = SearchIndex.open(folder, analysis)
    index.rebuild(CASES, (1, "a"))
    return index


def test_what_reads_with_older_names_is_freed_without_the_collector() -> None:
    gc.collect()
    gc.disable()
    try:
        index = made_with(with_names())
        assert index.search("relay").hits
        held = [weakref.ref(one) for one in (index.analysis, index._terms, index._snippets)]
        index.adopt(NEWER)
        assert [one() for one in held] == [None] * 3
    finally:
        gc.enable()


@pytest.mark.parametrize(("before", "now"), [(OLDER, NEWER), (NEWER, OLDER)])
def test_an_index_that_adopts_names_holds_what_one_made_with_them_holds(
    before: Analysis, now: Analysis, tmp_path: Path
) -> None:
    index, expected = made_with(before, tmp_path), made_with(now)
    assert contents(index) != contents(expected)
    index.adopt(now)
    assert 0 < index.to_read_again < len(CASES)
    while index.read_again(50):
        pass
    assert contents(index) == contents(expected)
    again = SearchIndex.open(tmp_path, now)
    assert (again.was_rebuilt_because, again.to_read_again, again.seen) == (None, 0, (1, "a"))
    assert contents(again) == contents(expected)
    for query in [*generated_queries(20), "gurgles", "salt crust", "no picture"]:
        ours, theirs = index.search(query, limit=200), expected.search(query, limit=200)
        assert (ours.total, ours.facets) == (theirs.total, theirs.facets), query
        assert [hit.score for hit in ours.hits] == pytest.approx([hit.score for hit in theirs.hits]), query


def test_an_index_made_with_other_names_takes_the_new_ones_in_when_it_is_opened(tmp_path: Path) -> None:
    made_with(OLDER, tmp_path)
    index = SearchIndex.open(tmp_path, NEWER)
    assert (index.was_rebuilt_because, index.seen) == (None, (1, "a"))
    assert index.to_read_again
    index.read_again(1_000)
    assert contents(index) == contents(made_with(NEWER))


def test_what_is_saved_while_cases_are_read_again_is_right(tmp_path: Path) -> None:
    index = made_with(OLDER, tmp_path)
    index.adopt(NEWER)
    gone, changed = index._to_read_again[-1], index._to_read_again[-2]
    document = index._state.document_of(changed)
    assert document is not None
    later = replace(document, notes="quibbles by the hair dryer")
    index.apply([later], [gone], (2, "b"))
    while index.read_again(30):
        pass
    expected = SearchIndex.open(None, NEWER)
    kept = [later if case.uid == changed else case for case in CASES if case.uid != gone]
    expected.rebuild(kept, (2, "b"))
    assert contents(index) == contents(expected)


def test_names_that_change_again_before_all_cases_are_read_leave_nothing_behind() -> None:
    index = made_with(OLDER)
    index.adopt(NEWER)
    index.read_again(20)
    index.adopt(OLDER)
    index.read_again(1_000)
    assert contents(index) == contents(made_with(OLDER))


def test_an_index_left_half_read_is_noticed_and_built_again(tmp_path: Path) -> None:
    index = made_with(OLDER, tmp_path)
    index.adopt(NEWER)
    assert index.read_again(10)
    for analysis in (OLDER, NEWER):
        again = SearchIndex.open(tmp_path, analysis)
        assert again.seen == (0, "")
        assert again.was_rebuilt_because == "it was left while cases were read again with new names"
        made_with(OLDER, tmp_path).adopt(NEWER)


def test_an_index_of_an_earlier_chain_is_noticed_and_built_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_with(OLDER, tmp_path)
    assert SearchIndex.open(tmp_path, OLDER).was_rebuilt_because is None
    monkeypatch.setattr("kb.search.analysis.FORMAT", 0)
    later = SearchIndex.open(tmp_path, Analysis(*OLDER.names))
    assert later.was_rebuilt_because == "analysis or word lists have changed"


def test_two_processes_with_different_names_never_mix_them_on_disk(tmp_path: Path) -> None:
    one, two = made_with(OLDER, tmp_path), SearchIndex.open(tmp_path, OLDER)
    one.adopt(NEWER)
    one.read_again(10)
    # The other process knows nothing of the new names yet; what it writes must not pass for whole.
    two.apply([replace(CASES[0], notes="quibbles")], (), (2, "b"))
    assert SearchIndex.open(tmp_path, OLDER).was_rebuilt_because
    one = made_with(OLDER, tmp_path)
    two = SearchIndex.open(tmp_path, OLDER)
    one.adopt(NEWER)
    one.read_again(1_000)
    two.apply([CASES[0]], (), (2, "b"))
    assert SearchIndex.open(tmp_path, NEWER).seen == (1, "a")  # read with older names, so it was not written
    two.adopt(NEWER)
    two.read_again(1_000)
    two.apply([CASES[0]], (), (3, "c"))
    fresh = SearchIndex.open(tmp_path, NEWER)
    fresh.apply([CASES[0]], (), (3, "c"))
    assert contents(fresh) == contents(made_with(NEWER)) == contents(two)


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = shop_in(tmp_path)
    assert bring(
        made,
        a_family(),
        a_case("bubbles", complaint="sounds like an aquarium"),
        a_case("named", complaint="quiet", symptoms=[{"name": "no picture"}]),
        a_case("other", complaint="quibbles", symptoms=[]),
    ).saved
    assert health.health(made).ok
    yield made
    made.close()


def found(shop: Shop, query: str) -> set[str]:
    return {hit.uid for hit in shop.derived.index.search(query).hits}


AQUARIUM = SymptomRecord(name="gurgling noise", synonyms=["like an aquarium", "burbles"])


def test_a_saved_name_finds_cases_at_once_and_no_longer_when_it_is_taken_away(shop: Shop) -> None:
    assert found(shop, "burbles") == set()
    assert vocabulary.save(shop, AQUARIUM) == "added"
    assert found(shop, "burbles") == {"bubbles"}
    snippet = shop.derived.index.search("burbles").hits[0].snippet
    assert ("like an aquarium", True) in snippet.pieces
    assert vocabulary.save(shop, AQUARIUM.model_copy(update={"synonyms": []})) == "updated"
    assert found(shop, "burbles") == set()
    assert (shop.derived.trouble, shop.derived.index_rebuilt_because) == (None, "there is no index yet")


def test_a_saved_name_of_a_part_class_finds_cases_at_once(shop: Shop) -> None:
    assert found(shop, "tin barrel") == set()
    (record,) = [entry for entry in vocabulary.part_classes(shop) if entry.name == "electrolytic capacitor"]
    vocabulary.save(
        shop, PartClassRecord(**{**record.model_dump(), "synonyms": [*record.synonyms, "tin barrel"]})
    )
    assert found(shop, "tin barrel") == {"bubbles", "named", "other"}


def test_free_text_is_read_with_a_name_that_another_process_saved(shop: Shop, tmp_path: Path) -> None:
    with_it = Shop.open(settings_in(tmp_path), today=lambda: TODAY)
    vocabulary.save(with_it, AQUARIUM)
    with_it.close()
    (fact,) = case_facts.read_words(shop, "it burbles", None).facts
    assert (fact.what, fact.words) == ("gurgling noise", "burbles")


def test_another_server_on_the_same_store_notices_and_both_agree_on_disk(shop: Shop, tmp_path: Path) -> None:
    other = Shop.open(settings_in(tmp_path), today=lambda: TODAY)
    assert found(other, "burbles") == set()
    vocabulary.save(shop, AQUARIUM)
    assert found(other, "burbles") == {"bubbles"}
    other.close()
    third = Shop.open(settings_in(tmp_path), today=lambda: TODAY)
    assert found(third, "burbles") == {"bubbles"}
    assert third.derived.index_rebuilt_because is None
    third.close()


@pytest.mark.once("the command it starts works on the store in a file")
def test_a_name_brought_in_by_the_command_line_beside_a_running_server_is_noticed(
    shop: Shop, tmp_path: Path
) -> None:
    file = tmp_path / "names.jsonl"
    file.write_bytes(b"".join(encoded([AQUARIUM])))
    done = commands.run(["import", str(file)], bare_environment(KB_DATA=str(tmp_path)))
    assert done.returncode == 0, done.stderr
    assert found(shop, "burbles") == {"bubbles"}


def test_a_name_saved_while_no_server_ran_is_taken_in_at_the_start_without_building_again(
    shop: Shop, tmp_path: Path
) -> None:
    shop.close()
    quiet = Shop.open(settings_in(tmp_path), today=lambda: TODAY)
    with quiet.store.write() as session:
        lists.save(session, AQUARIUM)
    quiet.store.close()
    again = Shop.open(settings_in(tmp_path), today=lambda: TODAY)
    assert found(again, "burbles") == {"bubbles"}
    assert again.derived.index_rebuilt_because is None
    again.close()


def test_a_name_in_very_many_cases_is_taken_in_behind_the_pages_which_say_so(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bring(shop, *(a_case(f"m{n}", complaint="like an aquarium") for n in range(120))).saved
    assert len(found(shop, "aquarium")) == 20
    monkeypatch.setattr(derived, "_READ_AT_ONCE", 10)
    monkeypatch.setattr(derived, "_READ_BEHIND", 10)
    go_on = threading.Event()
    read_the_rest = derived.Derived._read_the_rest

    def held_back(copies: derived.Derived) -> None:
        assert go_on.wait(STUCK_S)
        read_the_rest(copies)

    monkeypatch.setattr(derived.Derived, "_read_the_rest", held_back)
    vocabulary.save(shop, AQUARIUM)
    assert 0 < shop.derived.index.search("burbles", limit=0).total < 121
    assert "cases are not found by them yet" in str(shop.derived.trouble)
    assert health.health(shop).ok
    reader = shop.derived._reader
    assert reader is not None
    go_on.set()
    reader.join(STUCK_S)
    assert shop.derived.index.search("burbles", limit=0).total == 121
    assert shop.derived.trouble is None
