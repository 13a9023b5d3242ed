"""Cases of other shops: whose they are, which version counts, what stays ours, and letting them all go."""

from __future__ import annotations

from typing import Any

import pytest
from factories import a_case, a_family, bring, exported, fresh_shop
from other_shops import OTHERS, THEIRS, origin, their_case

from kb.errors import BadInput
from kb.model import NotedSymptom, Rail, SymptomRecord
from kb.service import Shop
from kb.service.cases import cases
from kb.service.diagnose import diagnosis
from kb.service.find import case_search
from kb.service.find.case_search import Filters
from kb.service.transfer import json_lines, origins
from kb.store.records import changes


@pytest.fixture
def shop() -> Any:
    made = fresh_shop()
    assert bring(made, a_family(aliases=["GL31-B"]), a_case("one")).saved
    yield made
    made.close()


def counts(report: json_lines.ImportReport) -> tuple[int, int, int, int, int]:
    assert report.saved, report.problems[:2]
    return report.added, report.updated, report.unchanged, report.refused, report.ours


def complaint_of(shop: Shop, uid: str) -> str:
    return cases.stored(shop, uid).record.complaint


def test_a_shared_file_keeps_whose_it_is(shop: Shop) -> None:
    report = bring(shop, origin(), their_case("u1"), their_case("u2"))
    assert counts(report) == (2, 0, 0, 0, 0)
    assert report.origin == "Quay bench"
    assert cases.stored(shop, "u1").record.origin == THEIRS
    assert [(one.name, one.cases) for one in origins.listed(shop)] == [("Quay bench", 2)]
    assert origins.names_by_case(shop, ["u1", "one"]) == {"u1": "Quay bench"}


def test_the_same_case_from_two_files_is_one_and_the_newest_export_of_its_shop_counts(shop: Shop) -> None:
    assert bring(shop, origin(days_ago=10), their_case(complaint="as of ten days ago")).saved
    older = bring(shop, origin(days_ago=20), their_case(complaint="older"))
    assert counts(older) == (0, 0, 1, 0, 0)
    assert complaint_of(shop, "u1") == "as of ten days ago"
    newer = bring(shop, origin(days_ago=5), their_case(complaint="newer"))
    assert counts(newer) == (0, 1, 0, 0, 0)
    assert complaint_of(shop, "u1") == "newer"
    assert counts(bring(shop, origin(days_ago=5), their_case(complaint="newer"))) == (0, 0, 1, 0, 0)


def test_a_third_shop_cannot_change_a_case_that_is_not_its_own(shop: Shop) -> None:
    assert bring(shop, origin(), their_case(complaint="first told")).saved
    report = bring(shop, origin(OTHERS, "Slip bench"), their_case(origin=OTHERS, complaint="told otherwise"))
    assert counts(report) == (0, 0, 1, 0, 0)
    assert complaint_of(shop, "u1") == "first told"


def test_our_own_case_that_comes_back_is_never_overwritten(shop: Shop) -> None:
    ours = origins.own_id(shop)
    report = bring(shop, origin(ours, "We"), their_case("one", origin=ours, complaint="masked"))
    assert counts(report) == (0, 0, 0, 0, 1)
    # The same board under the same uid in another shop's file: it was ours first.
    report = bring(shop, origin(), their_case("one", complaint="masked"))
    assert counts(report) == (0, 0, 0, 0, 1)
    assert complaint_of(shop, "one") == a_case("one").complaint
    assert cases.stored(shop, "one").record.origin == ""


def test_a_line_cannot_make_another_shops_case_ours(shop: Shop) -> None:
    assert bring(shop, origin(), their_case()).saved
    report = bring(shop, their_case(origin=None))
    assert not report.saved
    assert "another shop's" in report.problems[0].message
    assert report.problems[0].line == 1


def test_a_case_needs_a_line_that_names_its_shop(shop: Shop) -> None:
    report = bring(shop, their_case())
    assert (report.saved, report.problems[0].field) == (False, "origin")
    report = bring(shop, origin(), their_case(origin=OTHERS))
    assert (report.saved, report.problems[0].field) == (False, "origin")
    report = bring(shop, their_case(origin="quay"))
    assert (report.saved, report.problems[0].field) == (False, "origin")


def test_a_shops_own_line_is_the_first(shop: Shop) -> None:
    report = bring(shop, a_case("x"), origin(), their_case())
    assert not report.saved
    assert "first" in report.problems[0].message


def test_families_are_matched_by_any_number_and_ours_stay_with_the_differences_told(shop: Shop) -> None:
    theirs = a_family(
        code="GL 31-B",
        aliases=["Slip 4"],
        rails=[
            Rail(name="5vsb", role="standby", nominal_v=5.1, tolerance_pct=5, always_on=True),
            Rail(name="99V", nominal_v=99.0),
        ],
    )
    before = exported(shop)
    report = bring(shop, origin(), theirs, their_case(family="GL 31-B"))
    assert counts(report)[:2] == (1, 0)
    assert cases.stored(shop, "u1").record.family == a_family().code
    (difference,) = report.differences
    assert "GL 31-B" in difference
    assert "nominal volts 5 here, 5.1 there" in difference
    assert "rail 99V is not among yours" in difference
    family = next(line for line in before.splitlines() if '"record":"family"' in line)
    assert family in exported(shop)


def test_their_symptoms_are_ours_by_any_name_or_are_added(shop: Shop) -> None:
    report = bring(
        shop,
        origin(),
        SymptomRecord(name="relay rattles", synonyms=["relay chatter"]),
        SymptomRecord(name="smells of the sea", synonyms=["relay ticking", "salty"]),
        their_case(
            symptoms=[
                {"name": "relay rattles", "present": False},
                {"name": "relay clicks repeatedly"},
                {"name": "smells of the sea"},
            ]
        ),
    )
    assert report.saved, report.problems
    # Two of their names for one of ours: what was seen counts.
    assert cases.stored(shop, "u1").record.symptoms == [NotedSymptom(name="relay clicks repeatedly")]


def test_a_new_symptom_comes_without_the_synonyms_that_are_taken(shop: Shop) -> None:
    report = bring(
        shop,
        origin(),
        SymptomRecord(name="hums a tone", synonyms=["hums in B flat"]),
        their_case(symptoms=[{"name": "hums a tone"}]),
    )
    assert report.saved, report.problems
    assert '"hums a tone","synonyms":["hums in B flat"]' in exported(shop)


def test_a_case_of_another_shop_cannot_be_changed_or_made_by_hand(shop: Shop) -> None:
    assert bring(shop, origin(), their_case()).saved
    held = cases.stored(shop, "u1")
    changed = held.record.model_copy(update={"complaint": "something else"})
    with pytest.raises(BadInput) as refusal:
        cases.save(shop, changed, expected_version=held.version)
    assert (refusal.value.field, refusal.value.remedy) == ("origin", "Make a case of your own from it.")
    with pytest.raises(BadInput):
        cases.save(shop, changed.model_copy(update={"origin": ""}), expected_version=held.version)
    with pytest.raises(BadInput):
        cases.add_new(shop, changed.model_copy(update={"uid": "fresh"}))
    assert complaint_of(shop, "u1") == held.record.complaint


def test_a_shop_is_withdrawn_wholly_refused_until_allowed_and_brought_back(shop: Shop) -> None:
    assert bring(shop, origin(), their_case("u1"), their_case("u2")).saved
    cases.put_in_bin(shop, "u2")
    assert case_search.search(shop, "relay", Filters()).results.total == 2
    assert origins.withdraw(shop, THEIRS) == 1
    assert origins.withdraw(shop, THEIRS) == 0
    assert case_search.search(shop, "relay", Filters()).results.total == 1
    assert THEIRS not in exported(shop)
    with shop.read() as session:
        feed = changes.since(session, 0)
    assert [(one.key, one.operation) for one in feed][-1] == ("u1", "binned")
    report = bring(shop, origin(days_ago=1), their_case("u3"))
    assert not report.saved
    assert "withdrawn" in report.problems[0].message
    assert not bring(shop, origin(days_ago=1), their_case("u3"), skip_bad=True).added
    # What was in the bin by hand before stays there.
    assert origins.allow_again(shop, THEIRS, bring_back=True) == 1
    assert cases.stored(shop, "u1").binned_at is None
    assert cases.stored(shop, "u2").binned_at is not None
    assert case_search.search(shop, "relay", Filters()).results.total == 2
    assert bring(shop, origin(days_ago=1), their_case("u2"), their_case("u3")).added == 1
    assert cases.stored(shop, "u2").binned_at is not None


def test_suggestions_tell_own_cases_from_others(shop: Shop) -> None:
    from kb.model import EvidenceRecord

    assert bring(shop, origin(), *(their_case(f"u{n}") for n in range(4))).saved
    found = diagnosis.suggest(shop, EvidenceRecord(family=a_family().code))
    leading = found.ranking.causes[0]
    assert (found.ranking.cases_used, found.ranking.others_used) == (1, 4)
    assert (leading.cured, leading.others_cured) == (1, 4)
    assert set(leading.others_uids) == {"u0", "u1", "u2", "u3"}


def test_export_and_import_keep_whose_the_cases_are(shop: Shop) -> None:
    assert bring(shop, origin(), their_case("u1")).saved
    assert bring(shop, origin(OTHERS, "Slip bench", 3), their_case("v1", origin=OTHERS)).saved
    text = exported(shop)
    other = fresh_shop()
    assert bring(other, *text.encode().splitlines()).saved
    assert exported(other) == text
    assert [one.name for one in origins.listed(other)] == ["Quay bench", "Slip bench"]
    other.close()
