"""What was read of the store is kept until it changes, and not without bound."""

from __future__ import annotations

from factories import a_family

from kb.service import Shop
from kb.service.boards import families
from kb.service.shop.cache import MOST_KEPT


def test_of_very_many_names_those_read_last_are_kept_until_something_changes(shop: Shop) -> None:
    families.save(shop, a_family("HX-210"))
    read: list[int] = []

    def ask(number: int) -> int:
        with shop.read() as session:
            return shop.kept.get(
                session, f"list {number}", ("family",), lambda _: read.append(number) or number
            )

    first, last = 0, 2 * MOST_KEPT
    assert [ask(number) for number in range(first, last + 1)] == list(range(first, last + 1))
    assert (ask(last), ask(last - MOST_KEPT + 1)) == (last, last - MOST_KEPT + 1)
    assert len(read) == last + 1
    assert ask(first) == first
    assert read.count(first) == 2
    families.save(shop, a_family("KM-7"))
    assert ask(last) == last
    assert read.count(last) == 2
