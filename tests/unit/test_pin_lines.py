"""Pins to ground, a line a pin: what is read, what is refused, and that a line reads back as what it was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kb.errors import BadInput
from kb.facts.pin_lines import FIELDS, PinLine, parse_pin_line, parse_pin_lines, pin_line


@pytest.mark.parametrize(
    ("text", "connector", "pin", "values", "open_"),
    [
        ("CN2 4: 4k7 / 5k1, 0.45 / OL", "CN2", 4, (4700.0, 5100.0, 0.45, None), ("diode_v_black",)),
        ("CN2.4 4700/5100; 450 mV/-", "CN2", 4, (4700.0, 5100.0, 0.45, None), ()),
        ("CN2 pin 4: 4.7 kΩ", "CN2", 4, (4700.0, None, None, None), ()),
        ("CN2 pin 4 4.7 kΩ", "CN2", 4, (4700.0, None, None, None), ()),
        ("main board 12: 4,7k / 5,1k, 0,45 / 0,5", "main board", 12, (4700.0, 5100.0, 0.45, 0.5), ()),
        ("CN2 4: OL / OL, OL / OL", "CN2", 4, (None,) * 4, FIELDS),
        ("CN2 4: -, 0.6", "CN2", 4, (None, None, 0.6, None), ()),
        ("CN2 1: 0/0", "CN2", 1, (0.0, 0.0, None, None), ()),
    ],
)
def test_a_pin_is_read_as_people_note_it(
    text: str, connector: str, pin: int, values: tuple[float | None, ...], open_: tuple[str, ...]
) -> None:
    found = parse_pin_line(text)
    assert (found.connector, found.pin, tuple(found.open)) == (connector, pin, open_)
    assert tuple(found.values.get(name) for name in FIELDS) == pytest.approx(values)


@pytest.mark.parametrize(
    "text",
    [
        "CN2 4",
        "CN2: 4k7",
        "4: 4k7",
        "CN2 x: 4k7",
        "CN2 0: 4k7",
        "CN2 501: 4k7",
        "CN2 4: 1/2/3",
        "CN2 4: 4k7, 450",
        "CN2 4: 4k7, 0.4, 3",
        "CN2 4: -4k7",
        "CN2 4: -, -0.5",
        "CN2 4: lots",
        "CN2 4: 2,200.5",
        "CN2 4: - / -",
        "",
        ":",
        "....",
    ],
)
def test_what_is_no_pin_is_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(BadInput) as refused:
        parse_pin_line(text)
    assert refused.value.message
    assert refused.value.remedy


def test_a_table_names_the_line_that_is_wrong_and_a_pin_that_stands_twice() -> None:
    with pytest.raises(BadInput, match="Line 3"):
        parse_pin_lines("CN2 1: 0/0\n\nCN2 2: lots")
    with pytest.raises(BadInput, match="Line 2: pin 1 of cn2 stands in line 1 already"):
        parse_pin_lines("CN2 1: 0/0\ncn2 1: 5")
    with pytest.raises(BadInput, match="more than 1,000 pins"):
        parse_pin_lines("\n".join(f"C{number} 1: 5" for number in range(1_001)))


@given(
    st.sampled_from(["CN2", "main board", "J1"]),
    st.integers(1, 500),
    st.dictionaries(st.sampled_from(FIELDS[:2]), st.integers(0, 999_999).map(float)),
    st.dictionaries(st.sampled_from(FIELDS[2:]), st.integers(0, 9_999).map(lambda one: one / 1000)),
    st.sets(st.sampled_from(FIELDS)),
)
def test_a_line_reads_back_as_the_pin_it_was_written_from(
    connector: str, pin: int, ohms: dict[str, float], drops: dict[str, float], open_: set[str]
) -> None:
    values = {name: value for name, value in (ohms | drops).items() if name not in open_}
    if not values and not open_:
        return
    line = pin_line(connector, pin, dict(values), tuple(open_))
    found = parse_pin_line(line)
    assert isinstance(found, PinLine)
    assert (found.connector, found.pin, set(found.open)) == (connector, pin, open_)
    assert found.values == pytest.approx(values)
