"""Whatever a store holds, its export imported into an empty store exports the same bytes."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from factories import TODAY, bring, exported, fresh_shop
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tiers import examples

from kb.exchange import lines as exchange
from kb.facts import vocabulary as words
from kb.facts.designators import code_key
from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.model import (
    Attempt,
    CaseRecord,
    Connector,
    Enable,
    FamilyRecord,
    FollowUp,
    LoadRecord,
    NotedSymptom,
    OriginRecord,
    PartClassRecord,
    Rail,
    Reading,
    SymptomRecord,
)

_VISIBLE = st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\u2028\u2029\ufeff")
_HOSTILE = st.sampled_from(
    [
        "<script>alert(1)</script>",
        "'; DROP TABLE board_case;--",
        '"',
        "\\",
        "\\u0000",
        "{}",
        "é",
        "e\u0301",
        "💥",
        "%s",
        "=1+1",
    ]
)
_TEXT = _HOSTILE | st.text(_VISIBLE, max_size=40)
_LINES = st.lists(_TEXT, max_size=3).map("\n".join)
_NAMES = _TEXT.filter(lambda text: bool(text.strip()))
_CODES = _NAMES.filter(lambda text: bool(code_key(text.strip())))
_NUMBERS = st.floats(-1e9, 1e9, allow_nan=False)
_SIZES = st.none() | st.floats(1e-12, 1e9)
_PINS = st.lists(st.integers(1, 500), max_size=4)


def _word(entries: tuple[words.Word, ...]) -> Any:
    return st.sampled_from(words.values(entries))


_RAILS = st.builds(
    Rail,
    name=_NAMES,
    role=_word(words.RAIL_ROLES),
    nominal_v=st.floats(0.1, 1000) | st.floats(-1000, -0.1),
    tolerance_pct=st.none() | st.floats(0.1, 100),
    rated_a=_SIZES,
    ripple_mv=_SIZES,
    always_on=st.booleans(),
    connector=_TEXT,
    pins=_PINS,
    ground_pins=_PINS,
)
_FAMILIES = st.builds(
    FamilyRecord,
    code=_CODES,
    kind=_TEXT,
    mains_v=_SIZES,
    bulk_v=_SIZES,
    bulk_uf=_SIZES,
    fuse=_TEXT,
    rails=st.lists(_RAILS, max_size=1),
    connectors=st.lists(
        st.builds(Connector, name=_NAMES, pins=st.integers(1, 500), rows=st.integers(1, 4)), max_size=1
    ),
    enable=st.none() | st.builds(Enable, connector=_TEXT, from_rail=_TEXT, resistor_ohm=_SIZES),
    notes=_LINES,
)
_READINGS = st.builds(
    Reading,
    rail=_NAMES,
    quantity=_word(words.QUANTITIES),
    supply=_word(words.SUPPLY_STATES),
    load=_word(words.LOADS),
    value=_NUMBERS,
    min=st.none() | st.floats(-1e9, -1),
    max=st.none() | st.floats(1, 1e9),
    written=_TEXT,
    after_repair=st.booleans(),
)
_ATTEMPTS = st.builds(
    Attempt,
    part=_TEXT,
    part_class=st.sampled_from([entry.name for entry in PART_CLASSES]),
    section=_word(words.SECTIONS),
    failure=_TEXT,
    action=_TEXT,
    result=_word(words.RESULTS),
    cost=st.none() | st.integers(0, 1_000_000_000).map(lambda cents: cents / 100),
    minutes=st.none() | st.integers(0, 100_000),
)
_DAYS = st.dates(date(1970, 1, 1), TODAY - timedelta(days=400))
_FOLLOW_UPS = st.builds(
    FollowUp,
    date=st.dates(TODAY - timedelta(days=300), TODAY),
    state=_word(words.FOLLOW_UP_STATES),
    note=_TEXT,
)


_ORIGINS = st.builds(OriginRecord, id=st.from_regex(r"[0-9a-f]{32}", fullmatch=True), name=_NAMES, date=_DAYS)


@st.composite
def _cases(draw: Any, families: list[str], origins: list[str]) -> CaseRecord:
    received = draw(st.none() | _DAYS)
    closed = draw(st.none() | st.just((received or date(2020, 1, 1)) + timedelta(days=3)))
    names = draw(st.lists(st.sampled_from([entry.name for entry in SYMPTOMS]), max_size=3, unique=True))
    return CaseRecord(
        uid=draw(st.none() | st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,20}", fullmatch=True)),
        origin=draw(st.sampled_from(["", *origins])),
        family=draw(st.sampled_from(families)),
        revision=draw(_TEXT),
        received=received,
        closed=closed,
        verdict=draw(_word(words.VERDICTS)) if closed else draw(st.none() | _word(words.VERDICTS)),
        complaint=draw(_LINES),
        customer=draw(_TEXT),
        worker=draw(_TEXT),
        waiting_for=(waits := draw(_TEXT)),
        waiting_since=draw(st.none() | _DAYS) if waits else None,
        symptoms=[NotedSymptom(name=name, present=draw(st.booleans())) for name in names],
        readings=draw(st.lists(_READINGS, max_size=2)),
        attempts=draw(st.lists(_ATTEMPTS, max_size=2)),
        follow_ups=draw(st.lists(_FOLLOW_UPS, max_size=2)),
        notes=draw(_LINES),
    )


@st.composite
def _stores(draw: Any) -> list[Any]:
    families = draw(st.lists(_FAMILIES, min_size=1, max_size=3, unique_by=lambda one: code_key(one.code)))
    lists = [
        *draw(
            st.lists(st.builds(SymptomRecord, name=_NAMES, synonyms=st.lists(_NAMES, max_size=2)), max_size=2)
        ),
        *draw(
            st.lists(
                st.builds(PartClassRecord, name=_NAMES, letters=st.lists(_NAMES, max_size=2)), max_size=2
            )
        ),
        *draw(
            st.lists(
                st.builds(
                    LoadRecord,
                    name=_NAMES,
                    kind=st.just("lamp"),
                    points=st.lists(
                        st.tuples(st.floats(1e-6, 1e3), st.floats(1e-6, 1e3)).map(list),
                        min_size=1,
                        max_size=3,
                    ),
                    max_w=_SIZES,
                    count=st.integers(1, 1000),
                ),
                max_size=2,
            )
        ),
    ]
    origins = draw(st.lists(_ORIGINS, max_size=2, unique_by=lambda one: one.id))
    shops = [one.id for one in origins]
    cases = draw(
        st.lists(
            _cases([one.code for one in families], shops),
            max_size=4,
            unique_by=lambda one: one.uid or id(one),
        )
    )
    return [*origins, *lists, *families, *cases]


@settings(
    max_examples=examples(25),
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
)
@given(_stores())
def test_export_and_import_are_one_anothers_inverse(records: list[Any]) -> None:
    shop, other = fresh_shop(), fresh_shop()
    # Names that differ in case only are one entry to the store; which of two wins is no matter here.
    assert bring(shop, *records, skip_bad=True, refresh=False).saved
    text = exported(shop)
    lines = text.encode().split(b"\n")
    again = bring(other, *lines, refresh=False)
    assert again.refused == 0, again.problems[:1]
    assert exported(other) == text
    repeated = bring(other, *lines, refresh=False)
    assert (repeated.added, repeated.updated, repeated.refused) == (0, 0, 0)
    shop.close()
    other.close()


@settings(max_examples=examples(150), deadline=None, derandomize=True, database=None)
@given(_FAMILIES | _READINGS.map(lambda reading: CaseRecord(family="x", readings=[reading])))
def test_a_written_line_reads_back_and_is_written_the_same(record: Any) -> None:
    line = exchange.write(record)
    assert line.count("\n") == 1
    assert exchange.write(exchange.read_record(exchange.parse_json(line))) == line


@settings(max_examples=examples(300), deadline=None, derandomize=True, database=None)
@given(st.binary(max_size=200) | st.text(max_size=60).map(lambda text: text.encode(errors="surrogatepass")))
def test_any_bytes_at_all_are_a_record_or_a_bad_line(raw: bytes) -> None:
    for number, found in exchange.read([raw]):
        assert number == 1
        assert found is not None
