"""Boundaries and shown figures of the search: scores, segments, queries, codes and near words.

`tests/mutants.py` counts how many small mistakes these notice. Scores are by the formula of `kb.search.bm25` (its
papers stand there), letter codes for values by IEC 60062 (from memory), distances by Damerau's four edits.
"""

from __future__ import annotations

import math
from io import BytesIO
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from kb.search import Analysis, CaseDocument
from kb.search.analysis import PART, SYMPTOM, concept_key
from kb.search.bm25 import K1, B, idf, length_norms, saturated
from kb.search.case_terms import SPELLED, CaseTerms, TermReader
from kb.search.codes import (
    CODE,
    DESIGNATOR,
    NUMBER,
    VALUE,
    WORD,
    Reading,
    code_reading,
    glued_values,
    is_designator,
    read_chunk,
    value_term,
)
from kb.search.engine import State, score_groups
from kb.search.query import MOST_CHARACTERS, NAME, Group, Meant, Plan, is_exact, read_query
from kb.search.segment import (
    KINDS,
    MOST_CASES,
    TEXT,
    Part,
    Segment,
    SegmentWriter,
    segment_in_memory,
    segment_of_bytes,
    worth_merging,
    write_merged,
)
from kb.search.spelling import Speller, distance, edits_allowed, may_be_inflected

ANALYSIS = Analysis()


# --- the formula


def test_the_inverse_document_frequency_is_that_of_the_formula() -> None:
    for documents, holding in ((10, 1), (10, 9), (10, 10), (1, 1), (1000, 3), (4, 0)):
        expected = math.log(1 + (documents - holding + 0.5) / (holding + 0.5))
        assert idf(documents, holding) == pytest.approx(expected)
        assert idf(documents, holding) > 0


def test_a_weight_saturates_towards_k1_and_one_and_long_texts_weigh_less() -> None:
    assert (K1, B) == (1.2, 0.75)
    lengths = np.array([5.0, 10.0, 20.0], np.float32)
    norms = length_norms(lengths, 10.0)
    assert norms.tolist() == pytest.approx([1.2 * (0.25 + 0.75 * part) for part in (0.5, 1.0, 2.0)])
    assert length_norms(lengths, 0.0).tolist() == pytest.approx([0.3] * 3)
    weights = np.array([1.0, 1.0, 3.0], np.float32)
    assert saturated(weights, norms, times=2.0).tolist() == pytest.approx(
        [
            2.0 * weight * 2.2 / (weight + norm)
            for weight, norm in zip((1.0, 1.0, 3.0), norms.tolist(), strict=True)
        ]
    )
    assert saturated(weights, norms, k1=0.5).tolist() == pytest.approx(
        [weight * 1.5 / (weight + norm) for weight, norm in zip((1.0, 1.0, 3.0), norms.tolist(), strict=True)]
    )


# --- segments


def document(uid: str, complaint: str, **more: Any) -> CaseDocument:
    return CaseDocument(uid=uid, family=more.pop("family", "HX-210"), complaint=complaint, **more)


DOCUMENTS = (
    document("a", "dark zorbok zorbok", verdict="repaired", year=2025, day=10, cured=True),
    document("b", "zorbok quimdap", family="KT-5", sections=("feedback",), day=30, cured=True, verified=True),
    document("c", "quimdap blatlim zorbok", sections=("feedback", "feedback"), year=2024, day=20),
    document("d", "wugtud", family="KT-5", part_classes=("fuse",), parts=("F1",)),
)


def terms_of(*documents: CaseDocument) -> list[CaseTerms]:
    reader = TermReader(ANALYSIS)
    return [reader.read(one) for one in documents]


@pytest.fixture(scope="module")
def segment() -> Segment:
    return segment_in_memory("first", terms_of(*DOCUMENTS))


def test_each_term_leads_to_the_slots_that_hold_it(segment: Segment) -> None:
    assert segment.size == 4
    for term, slots in (("zorbok", [0, 1, 2]), ("quimdap", [1, 2]), ("wugtud", [3]), ("dark", [0])):
        assert segment.slots(term).tolist() == slots
        start, end = segment.span(term)
        assert end - start == len(slots)
    for term in ("", "a", "zorbo", "zorboka", "zzz"):
        assert segment.span(term) == (0, 0)
        assert segment.slots(term).tolist() == []
    assert segment.slots("KT-5", "family").tolist() == [1, 3]
    assert segment.slots("feedback", "section").tolist() == [1, 2]
    assert segment.slots("feedback", "family").tolist() == []
    for kind in KINDS:
        starts = segment.starts_of(kind)
        assert len(starts) == len(segment.terms[kind]) + 1
        for place, term in enumerate(segment.terms[kind]):
            assert segment.span(term, kind) == (starts[place], starts[place + 1])


def test_weights_lengths_order_and_proof_are_those_of_the_cases(segment: Segment) -> None:
    for slot, case in enumerate(terms_of(*DOCUMENTS)):
        assert segment.lengths[slot] == pytest.approx(case.length)
        assert (segment.order[slot], segment.proof[slot]) == (case.order, case.proof)
        for term, weight in case.weights.items():
            start, end = segment.span(term)
            place = segment.ids[start:end].tolist().index(slot)
            assert segment.weights[start + place] == pytest.approx(weight)
        for kind, value in case.tags:
            assert slot in segment.slots(value, kind).tolist()
    assert segment.proof.tolist() == [1, 2, 0, 0]


def test_each_place_of_a_word_is_known_by_slot_and_place(segment: Segment) -> None:
    for term in ("zorbok", "quimdap", "wugtud", "dark", segment.terms[TEXT][0], segment.terms[TEXT][-1]):
        expected = [
            (slot << 32) + place
            for slot, case in enumerate(terms_of(*DOCUMENTS))
            for written, place in case.occurrences
            if written == term
        ]
        assert segment.occurrences(term).tolist() == expected
    for term in ("", "zorboka", "zzz"):
        assert segment.occurrences(term).tolist() == []


def test_documents_come_back_by_slot_and_by_uid(segment: Segment) -> None:
    for slot, one in enumerate(DOCUMENTS):
        assert segment.document(slot) == one
        assert segment.slot(one.uid) == slot
    assert segment.slot("never seen") is None
    assert segment.slots_of(["d", "x", "a"]) == [3, 0]
    assert segment_in_memory("none", []).slots_of(["a"]) == []


def test_values_are_counted_over_the_slots_that_match_only(segment: Segment) -> None:
    matched = np.array([True, True, True, False])
    assert list(segment.counts("family", matched)) == [("HX-210", 2), ("KT-5", 1)]
    assert list(segment.counts("section", matched)) == [("feedback", 2)]
    assert list(segment.counts("part_class", matched)) == []
    assert list(segment.counts("year", matched)) == [("2024", 1), ("2025", 1)]
    assert list(segment_in_memory("none", []).counts("year", np.zeros(0, bool))) == []


def test_a_segment_comes_back_from_its_bytes_and_shares_the_strings_of_another(segment: Segment) -> None:
    content = segment.unwritten
    assert content is not None
    again = segment_of_bytes("again", segment.checksum, content, like=segment)
    assert again.terms == segment.terms
    assert all(
        ours is theirs
        for kind in KINDS
        for ours, theirs in zip(again.terms[kind], segment.terms[kind], strict=True)
    )
    assert again.slots("quimdap").tolist() == [1, 2]
    assert "wugtud" in again.speller
    assert SPELLED in again.terms


def arrays_of(one: Segment) -> dict[str, list[Any]]:
    names = ("starts", "ids", "weights", "lengths", "order", "proof", "uids", "uid_slots")
    starts, occurrences = one.all_occurrences()
    documents = [one.stored(slot) for slot in range(one.size)]
    return {name: getattr(one, name).tolist() for name in names} | {
        "occurrences": [starts.tolist(), occurrences.tolist()],
        "documents": documents,
        "terms": [one.terms[kind] for kind in KINDS if kind == TEXT],
    }


def test_parts_merge_into_what_their_live_cases_written_at_once_make() -> None:
    first = Part.of(segment_in_memory("first", terms_of(*DOCUMENTS[:2])))
    second = Part.of(segment_in_memory("second", terms_of(*DOCUMENTS[2:])))
    for gone in ([], ["a"], ["b"], ["c"], ["a", "d"], ["a", "b", "c"]):
        parts = [first.without(gone, []), second.without([], gone)]
        file = BytesIO()
        checksum = write_merged(file, parts)
        merged = segment_of_bytes("merged", checksum, file.getvalue())
        left = [one for one in DOCUMENTS if one.uid not in gone]
        assert [merged.document(slot) for slot in range(merged.size)] == left
        at_once = arrays_of(segment_in_memory("at once", terms_of(*left)))
        found = arrays_of(merged)
        for name in ("lengths", "order", "proof", "uids", "uid_slots", "occurrences", "documents", "terms"):
            assert found[name] == at_once[name], (gone, name)
        for term in merged.terms[TEXT]:
            assert (
                merged.slots(term).tolist()
                == segment_in_memory("again", terms_of(*left)).slots(term).tolist()
            )


def test_a_part_knows_how_many_live_cases_and_words_it_has(segment: Segment) -> None:
    whole = Part.of(segment)
    lengths = segment.lengths.tolist()
    assert (whole.count, whole.erased, whole.length) == (4, 0, pytest.approx(sum(lengths)))
    assert whole.alive.tolist() == [True] * 4
    less = whole.without(["a"], ["c", "never seen"])
    assert (less.count, less.erased, less.alive.tolist()) == (2, 1, [False, True, False, True])
    assert less.length == pytest.approx(lengths[1] + lengths[3])
    # What is dead already is not taken away twice, but its text is to go.
    again = less.without([], ["a"])
    assert (again.count, again.erased, again.length) == (2, 2, pytest.approx(less.length))
    assert whole.without(["never seen"], []) is whole
    assert Part.of(segment, np.array([True, False, False, False]), 3).erased == 3


def sized(count: int, size: int | None = None, erased: int = 0) -> Part:
    stand_in: Any = SimpleNamespace(size=count if size is None else size)
    return Part(stand_in, np.zeros(0, bool), count, 0.0, erased)


@pytest.mark.parametrize(
    ("parts", "merged"),
    [
        ([], None),
        ([sized(1)] * 3, None),
        ([sized(1)] * 4, (0, 4)),
        # From the newest on: 1, 1, 1 are together 3, a segment of 6 still joins and one of 7 does not.
        ([sized(6), sized(1), sized(1), sized(1)], (0, 4)),
        ([sized(7), sized(1), sized(1), sized(1)], None),
        ([sized(50), sized(1), sized(1), sized(1), sized(1)], (1, 5)),
        # No segment grows beyond the most that one may hold.
        ([sized(MOST_CASES - 3), *[sized(1)] * 3], None),
        ([sized(40_000), sized(20_000), sized(20_000), sized(20_000)], (0, 4)),
        ([sized(40_001), sized(20_000), sized(20_000), sized(20_000)], None),
        # More than half dead, where there are a thousand slots; a deleted text in any.
        ([sized(499, 1_000)], (0, 1)),
        ([sized(500, 1_000)], None),
        ([sized(400, 999)], None),
        ([sized(5), sized(3, 9, erased=1)], (1, 2)),
    ],
)
def test_neighbours_are_merged_by_their_sizes(parts: list[Part], merged: tuple[int, int] | None) -> None:
    assert worth_merging(parts) == merged


def test_a_segment_counts_what_it_was_given() -> None:
    writer = SegmentWriter(BytesIO())
    assert len(writer) == 0
    for number, case in enumerate(terms_of(*DOCUMENTS)):
        writer.add(case)
        assert len(writer) == number + 1


def test_scores_and_shares_answered_add_up_over_segments() -> None:
    split = State(
        tuple(Part.of(segment_in_memory(str(n), terms_of(*DOCUMENTS[n * 2 : n * 2 + 2]))) for n in (0, 1))
    )
    whole = State((Part.of(segment_in_memory("all", terms_of(*DOCUMENTS))),))
    groups = [
        Group("zorbok", "zorbok", WORD, (("zorbok", 1.0), ("quimdap", 0.5)), 0, 6),
        Group("quimdap", "quimdap", WORD, (("quimdap", 1.0),), 7, 14),
        Group("unheard", "unheard", WORD, (("unheard", 0.5),), 15, 22),
    ]
    cases = terms_of(*DOCUMENTS)
    mean = sum(case.length for case in cases) / 4
    holding = {"zorbok": 3, "quimdap": 2}

    def expected(case: CaseTerms) -> float:
        total = 0.0
        for one in groups:
            for term, factor in one.terms:
                if weight := case.weights.get(term):
                    norm = 1.2 * (0.25 + 0.75 * case.length / mean)
                    total += factor * idf(4, holding[term]) * weight * 2.2 / (weight + norm)
        return total

    worth = [idf(4, 3), idf(4, 2), 0.5 * idf(4, 0)]
    for state in (split, whole):
        scores, answered, asked = score_groups(state, groups)
        assert scores.tolist() == pytest.approx([expected(case) for case in cases], rel=1e-5)
        assert asked == pytest.approx(max(idf(4, 3), 0.5 * idf(4, 2)) + worth[1] + worth[2])
        both = max(idf(4, 3), 0.5 * idf(4, 2))
        assert answered.tolist() == pytest.approx([both, both + worth[1], both + worth[1], 0.0], rel=1e-5)


# --- queries


def plan_of(text: str, **meant: Any) -> Plan:
    return read_query(text, ANALYSIS, Meant(**meant))


def weights_of(plan: Plan) -> dict[str, dict[str, float]]:
    return {
        group.typed: {term: pytest.approx(weight) for term, weight in group.terms} for group in plan.groups
    }


def test_words_are_asked_for_whole_and_weak_ones_and_bare_numbers_for_less() -> None:
    assert weights_of(plan_of("zorbok no 2645 4k7")) == {
        "zorbok": {"zorbok": 1.0}, "no": {"not": 0.3}, "2645": {"2645": 0.3}, "4k7": {"4700ohm": 1.0, "4k7": 0.4},
    }  # fmt: skip
    first = plan_of("zorbok").groups[0]
    assert first == Group("zorbok", "zorbok", WORD, (("zorbok", 1.0),), 0, 6, True)


def test_a_name_of_several_words_shares_its_weight_among_them_and_one_of_a_word_counts_less() -> None:
    picture = concept_key(SYMPTOM, "no picture")
    assert weights_of(plan_of("no picture")) == {
        "no": {"not": 0.12, picture: 0.6}, "picture": {"pictur": 0.4, picture: 0.6},
    }  # fmt: skip
    assert weights_of(plan_of("relay")) == {"relay": {"relai": 1.0, concept_key(PART, "relay"): 0.4}}


def test_everyday_words_of_a_long_query_are_chatter_from_eight_words_on() -> None:
    seven = "zorbok quimdap blatlim wugtud zorlim quimtud because"
    assert weights_of(plan_of(seven))["because"] == {"becaus": 1.0}
    plan = plan_of(seven + " frondap")
    assert weights_of(plan)["because"] == {"becaus": 0.2}
    assert weights_of(plan)["frondap"] == {"frondap": 1.0}
    guessed = {group.typed: group.guessed for group in plan.groups}
    assert not guessed["because"]
    assert guessed["zorbok"]


def test_a_word_from_which_a_symptom_was_read_steps_back_behind_it() -> None:
    said = plan_of(
        "zorbok quimdap c9",
        symptoms=(("dead", 0, 6),),
        part_classes=(("fuse", 7, 14),),
        of_letters=(("capacitor", 15, 17),),
    )
    dead, fuse, capacitor = (
        concept_key(SYMPTOM, "dead"),
        concept_key(PART, "fuse"),
        concept_key(PART, "capacitor"),
    )
    # Strangers take "dead" for one of these, which answer a little of it.
    unlit, idle = concept_key(SYMPTOM, "no standby light"), concept_key(SYMPTOM, "does not work")
    asked = [
        (group.typed, group.kind, dict(group.terms), group.start, group.end, group.guessed)
        for group in said.groups
    ]
    assert asked == [
        ("zorbok", WORD, {"zorbok": pytest.approx(0.35)}, 0, 6, False),
        ("quimdap", WORD, {"quimdap": 1.0}, 7, 14, True),
        ("c9", DESIGNATOR, {"c9": 1.0}, 15, 17, True),
        ("zorbok", NAME, {dead: 1.4, unlit: 0.4, idle: 0.4}, 0, 6, False),
        ("quimdap", NAME, {fuse: 0.6}, 7, 14, False),
        ("c9", NAME, {capacitor: 0.1}, 15, 17, False),
    ]
    # A name that the words ask for already is not asked for twice.
    twice = plan_of("relay", part_classes=(("relay", 0, 5),))
    assert [group.kind for group in twice.groups] == [WORD]
    # What is exact stays as it is inside a symptom's words.
    assert plan_of("c9", symptoms=(("dead", 0, 2),)).groups[0] == Group(
        "c9", "c9", DESIGNATOR, (("c9", 1.0),), 0, 2
    )


def test_words_of_a_name_keep_their_weight_in_a_long_query_and_where_the_name_was_read() -> None:
    picture = concept_key(SYMPTOM, "no picture")
    whole = {"no": {"not": 0.12, picture: 0.6}, "picture": {"pictur": 0.4, picture: 0.6}}
    read = plan_of("no picture", symptoms=(("no picture", 0, 10),))
    assert weights_of(read) == whole
    assert all(group.guessed for group in read.groups)
    long = weights_of(plan_of("zorbok quimdap blatlim wugtud zorlim quimtud no picture because"))
    assert {word: long[word] for word in whole} == whole
    assert long["because"] == {"becaus": 0.2}


def test_words_touch_what_was_meant_only_where_they_overlap_it() -> None:
    text = "zorbok quimdap"
    for start, end, left in (
        (0, 6, ["quimdap"]), (0, 7, ["quimdap"]), (6, 7, ["zorbok", "quimdap"]), (6, 8, ["zorbok"]),
        (5, 6, ["quimdap"]), (0, 14, []), (14, 20, ["zorbok", "quimdap"]),
    ):  # fmt: skip
        plan = plan_of(text, not_meant=(("fuse", start, end),))
        assert [group.typed for group in plan.groups] == left
        assert plan.not_meant == ("fuse",)


def test_no_more_than_thirty_two_words_are_asked_for_and_each_once() -> None:
    words = [
        first + last
        for first in ("zor", "quim", "blat", "fron", "wug", "plix")
        for last in ("bok", "dap", "lim", "tud", "gop", "ruk")
    ]
    assert len(plan_of(" ".join(words[:31])).groups) == 31
    assert len(plan_of(" ".join(words[:32])).groups) == 32
    assert len(plan_of(" ".join(words)).groups) == 32
    assert [group.typed for group in plan_of("zorbok quimdap zorbok").groups] == ["zorbok", "quimdap"]


def test_quotes_hold_words_together_and_a_minus_leaves_out() -> None:
    plan = plan_of('zorbok "quimdap blatlim" -wugtud -"frondap zorlim" "plixgop" x-ray 5 -3')
    assert plan.phrases == (("quimdap", "blatlim"),)
    assert plan.excluded == (("wugtud",), ("frondap", "zorlim"))
    typed = [group.typed for group in plan.groups]
    assert typed[:4] == ["zorbok", "quimdap", "blatlim", "plixgop"]
    assert not {"wugtud", "frondap", "zorlim"} & set(typed)
    places = {group.typed: group.start for group in plan.groups}
    assert all(plan.text[at : at + len(word)] == word for word, at in places.items())
    eight = plan_of(
        " ".join(f'"zorbok {word}"' for word in ("ab", "cd", "ef", "gh", "ij", "kl", "mn", "op", "qr"))
        + ' "zorbok cd"'
    )
    assert len(eight.phrases) == 8


def test_what_was_spent_is_asked_for_no_more_and_long_texts_are_cut() -> None:
    plan = plan_of("zorbok quimdap", spent=((0, 6),), first=("a",))
    assert [(group.typed, group.start) for group in plan.groups] == [("quimdap", 7)]
    assert plan.first == ("a",)
    assert plan_of("zorbok", spent=((3, 99),)).groups[0].typed == "zor"
    assert len(plan_of("z" * 700).text) == MOST_CHARACTERS == 600
    assert plan_of("  ").is_empty
    assert not plan_of("-").is_empty


def test_codes_values_and_names_are_exact_and_words_are_not() -> None:
    for kind, exact in (
        (CODE, True),
        (DESIGNATOR, True),
        (VALUE, True),
        (NUMBER, True),
        (NAME, True),
        (WORD, False),
    ):
        assert is_exact(Group("x", "x", kind, (), 0, 1)) is exact


# --- codes and values


@pytest.mark.parametrize(
    ("text", "term", "extras"),
    [
        # The letter stands for the mark and the multiplier (IEC 60062, from memory).
        ("4k7", "4700ohm", ("4k7",)), ("4R7", "4.7ohm", ("4r7",)), ("3V3", "3.3v", ("3v3",)),
        ("4n7", "0.0000000047f", ("4n7",)), ("4p7", "0.0000000000047f", ("4p7",)), ("4u7", "0.0000047f", ("4u7",)),
        ("4m7", "4700000ohm", ("4m7",)), ("4k7ohm", "4700ohm", ("4k7ohm",)),
        ("47k", "47000ohm", ()), ("1M", "1000000ohm", ()), ("1G", "1000000000ohm", ()), ("33p", "0.000000000033f", ()),
        ("100meg", "100000000ohm", ()), ("10w", "10w", ()), ("12.0V", "12v", ()), ("1mV", "0.001v", ()),
        ("1MV", "0.001v", ()), ("1mA", "0.001a", ()), ("1MHz", "1000000hz", ()), ("1mH", "0.001h", ()),
        ("500mohm", "500000000ohm", ()), ("1kHz", "1000hz", ()), ("2.5kva", "2500va", ()),
        ("2,200uF", "0.0022f", ("0.0000022f",)), ("0,200uF", "0.0000002f", ()), ("2,20uF", "0.0000022f", ()),
        ("T3.15A", "t3.15a", ("3.15a",)), ("T3,15A", "t3.15a", ("3.15a",)), ("F500mA", "f500ma", ("0.5a",)),
        ("5VSB", "5vsb", ("5v", "standbi")), ("3.3V_STB", "3.3vsb", ("3.3v", "standbi")),
    ],
)  # fmt: skip
def test_each_way_of_writing_a_value_is_one_term(text: str, term: str, extras: tuple[str, ...]) -> None:
    assert read_chunk(text.lower(), text) == Reading(VALUE, term, extras)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1000", Reading(NUMBER, "1000")), ("2.50", Reading(NUMBER, "2.5")), ("2,50", Reading(NUMBER, "2.5")),
        ("1" * 16, Reading(NUMBER, "1" * 16)), ("1" * 17, Reading(CODE, "1" * 17)), ("1" * 41, Reading(CODE, "1" * 40)),
        ("C9", Reading(DESIGNATOR, "c9")), ("C-9", Reading(DESIGNATOR, "c9")), ("C9-C10", None), ("C9-4k7", None),
        ("10,5x", None), ("HX-screen", None), ("HX-abc1", Reading(CODE, "hxabc1")),
        ("HX-210", Reading(CODE, "hx210")), ("HX-210-R2", Reading(CODE, "hx210r2", ("hx210", "210r2"))),
        ("HX-210A", Reading(CODE, "hx210a", ("hx210", "210a"))), ("HX-210-7", Reading(CODE, "hx2107", ("2107",))),
        ("2SK-2645", Reading(CODE, "2sk2645", ("k2645", "2645"))), ("UC3842", Reading(CODE, "uc3842", ("3842",))),
        ("UC3842AN", Reading(CODE, "uc3842an", ("uc3842", "3842an", "3842"))),
    ],
)  # fmt: skip
def test_numbers_designators_and_codes_are_told_apart(text: str, expected: Reading | None) -> None:
    assert read_chunk(text.lower(), text) == expected


def test_a_value_of_more_than_sixteen_characters_is_none() -> None:
    assert read_chunk("1234567890.123uf", "1234567890.123uF") == Reading(
        VALUE, value_term("1234567890.123", "u", "f")
    )
    longer = read_chunk("12345678901.123uf", "12345678901.123uF")
    assert longer is None or longer.kind != VALUE


def test_two_values_written_as_one_are_parted_where_the_second_begins() -> None:
    assert glued_values("1000uf16v", "1000uF16V") == 6
    assert glued_values("4.7kohm0.25w", "4.7kohm0.25W") == 7
    assert glued_values("1000uf", "1000uF") == 0
    assert glued_values("1000uf16v", "1000 uF16V") == 0


def test_letters_and_up_to_four_digits_of_a_known_kind_are_a_designator() -> None:
    for text, is_one in (
        ("c9", True),
        ("c9999", True),
        ("c99999", False),
        ("zd12", True),
        ("ic3a", True),
        ("xx9", False),
        ("9c", False),
    ):
        assert is_designator(text) is is_one
    assert code_reading(["c", "9"]) == Reading(DESIGNATOR, "c9")
    assert code_reading(["hx", "210", "b"]) == Reading(CODE, "hx210b", ("hx210", "210b"))
    # Without a digit before it a tail is none.
    assert code_reading(["hx", "r2"]).extras == ()


# --- near words


@pytest.mark.parametrize(
    ("word", "allowed"),
    [("abc", 0), ("abcd", 1), ("abcdefg", 1), ("abcdefgh", 2), ("abcd1", 0), ("abcdefgh1", 0), ("", 0)],
)
def test_edits_allowed_grow_at_four_and_at_eight_letters(word: str, allowed: int) -> None:
    assert edits_allowed(word) == allowed


@pytest.mark.parametrize(
    ("first", "second", "edits"),
    [("relay", "relay", 0), ("relay", "rely", 1), ("relay", "relays", 1), ("relay", "reley", 1), ("relay", "realy", 1),
     ("relay", "reyla", 2), ("relay", "delays", 2), ("relay", "rel", 2)],
)  # fmt: skip
def test_an_edit_is_a_letter_more_less_other_or_swapped(first: str, second: str, edits: int) -> None:
    assert distance(first, second, 3) == edits
    assert distance(second, first, 2) == edits
    assert distance(first, second, 1) == min(edits, 2)
    assert distance("abcd", "wxyz", 2) == 3
    assert distance("ab", "abcdefgh", 2) == 3


def test_near_words_come_nearest_first_then_with_the_same_first_letter_then_by_name() -> None:
    speller = Speller(["relay", "delay", "relays", "rely", "belays", "zorbok", "rallye", "relay"])
    assert speller.words == ["belays", "delay", "rallye", "relay", "relays", "rely", "zorbok"]
    assert speller.near("relay") == [(0, "relay"), (1, "relays"), (1, "rely"), (1, "delay")]
    assert speller.near("relay", same_start=True) == [(0, "relay"), (1, "relays"), (1, "rely")]
    assert speller.near("relay", most=2) == [
        (0, "relay"), (1, "relays"), (1, "rely"), (1, "delay"), (2, "belays"),
    ]  # fmt: skip
    assert speller.near("realy") == [(1, "relay"), (1, "rely")]
    assert speller.near("reloy") == [(1, "relay"), (1, "rely")]
    assert speller.near("wug") == []
    assert Speller([]).near("relay") == []
    long = "ab" * 20
    assert Speller([long]).near(long) == [(0, long)]
    assert Speller([long + "a"]).near(long + "a") == []


def test_two_letters_replaced_at_once_are_still_compared() -> None:
    # Each replaced letter changes two places of the signature: four in all, the most that two edits can.
    assert Speller(["abcdefgh"]).near("abcdefxy") == [(2, "abcdefgh")]
    assert Speller(["abcd"]).near("abcx") == [(1, "abcd")]
    assert Speller(["abcd"]).near("abxy") == []


def test_a_word_is_known_by_its_whole_self() -> None:
    speller = Speller(["relay", "fuse"])
    assert "relay" in speller
    for other in ("rela", "relayz", "zzz", "", "aaa"):
        assert other not in speller
    assert may_be_inflected("blinking")
    assert not may_be_inflected("relay")
