"""Whatever stands in a cell, its row becomes a case or is refused in a sentence."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from factories import TODAY, fresh_shop
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tiers import examples

from kb.errors import BadInput
from kb.exchange import lines as exchange
from kb.service.cases import prerequisites
from kb.service.sheets import known
from kb.service.sheets.fields import FIELDS
from kb.service.sheets.known import Known
from kb.service.sheets.rows_to_cases import Builder, Refused
from kb.service.sheets.state import Sheet, column_keys

HEADINGS = [field.label for field in FIELDS]
KEYS = column_keys(HEADINGS)
PIECES = st.one_of(
    st.text(max_size=30),
    st.text("0123456789.,-/: €VmhEe+", max_size=24),
    st.sampled_from(
        ["03.04.2014", "3/4/14", "44291", "1.234,50 €", "2,200 µF", "4V7", "OL", "5VSB 4.7 standby", "C9", "ok", "yes",
         "2h", "1:30", "no picture; dead", "HX-210", "9" * 45, "1e400", "=1+1", "٣.٤.٢٠١٤", "½", "²", "\x00", "\u2028"]
    ),
)  # fmt: skip


@pytest.fixture(scope="module")
def book() -> Iterator[Known]:
    shop = fresh_shop()
    yield known.look(shop)
    shop.close()


def answers(order: str, bad: str, mark: str) -> dict[str, str]:
    found = {"cured where repaired": "=cured", "closed without verdict": "=repaired"}
    for key in KEYS:
        found |= {
            f"order|{key}": order,
            f"years|{key}": "2026",
            f"serial|{key}": "1900",
            f"bad|{key}": bad,
            f"mark|{key}": mark,
            f"unit|{key}": "hours",
            f"supply|{key}": "standby",
        }
    for kind, word, answer in (("verdict", "ok", "=repaired"), ("result", "ok", "=cured"), ("yes", "yes", "=present"),
                               ("symptoms", "dead", "=dead"), ("symptoms", "no picture", "!no picture"),
                               ("parts", "c", "=electrolytic capacitor"), ("parts", "?", "=other")):  # fmt: skip
        found[f"word|{kind}|{word}"] = answer
    return found


@settings(
    max_examples=examples(400), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(st.lists(PIECES, max_size=len(FIELDS)), min_size=1, max_size=3),
    st.sampled_from(["dmy", "mdy", ""]),
    st.sampled_from(["n", "-", "x", ""]),
    st.sampled_from(["comma", "point", ""]),
)
def test_any_row_is_a_case_or_is_refused(
    book: Known, rows: list[list[str]], order: str, bad: str, mark: str
) -> None:
    targets = {key: field.value for key, field in zip(KEYS, FIELDS, strict=True)}
    sheet = Sheet("0" * 16, "any", headings=HEADINGS, targets=targets, answers=answers(order, bad, mark))
    builder = Builder(sheet, book)
    case, why = None, ""
    try:
        case, _ = builder.case(list(enumerate(rows, start=2)))
        prerequisites.refuse_future_days(case, TODAY)
    except (Refused, BadInput) as error:
        why = str(error).strip()
    assert case is not None or why
    # What is accepted can be written and read back.
    assert case is None or exchange.read_record(exchange.parse_json(exchange.write(case))) == case


def test_rows_that_say_enough_do_become_cases(book: Known) -> None:
    targets = {"board": "family", "day": "received", "cost": "cost", "part": "part", "worth": "verdict"}
    sheet = Sheet(
        "0" * 16, "any", headings=list(targets), targets=targets, answers=answers("dmy", "x", "comma")
    )
    sheet.answers |= {"order|day": "dmy", "mark|cost": "comma"}
    case, _ = Builder(sheet, book).case([(2, ["HX-210", "03/04/2021", "1.234", "C9", "ok"])])
    assert (str(case.received), case.attempts[0].cost, case.attempts[0].result) == (
        "2021-04-03",
        1234.0,
        "cured",
    )
