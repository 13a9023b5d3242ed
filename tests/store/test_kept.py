"""What was read of the store is kept until it changes, and not without bound."""

from __future__ import annotations

from collections.abc import Callable

from factories import a_family
from sqlalchemy import Engine, event

from kb.service import Shop
from kb.service.boards import families, vocabulary
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


def asked_for_the_latest(shop: Shop, ask: Callable[[], object]) -> int:
    """How many statements `ask` sends that look at the change feed."""
    sent: list[str] = []

    def note(_connection: object, _cursor: object, statement: str, *_more: object) -> None:
        sent.append(statement)

    event.listen(Engine, "before_cursor_execute", note)
    try:
        ask()
    finally:
        event.remove(Engine, "before_cursor_execute", note)
    return sum("change" in statement for statement in sent)


def test_one_page_asks_once_which_change_is_the_newest_and_the_next_page_asks_again(shop: Shop) -> None:
    families.save(shop, a_family("HX-210"))

    def lists(of: Shop) -> list[str]:
        vocabulary.symptoms(of)
        vocabulary.part_classes(of)
        return [one.code for one in families.offered(of)]

    lists(shop)  # so that everything is kept
    assert asked_for_the_latest(shop, lambda: lists(shop)) == 3
    with shop.for_one_page() as here:
        assert asked_for_the_latest(shop, lambda: lists(here)) == 1
        families.save(shop, a_family("KM-7"))
        # The page stays with what it saw first,
        assert asked_for_the_latest(shop, lambda: lists(here)) == 0
        assert lists(here) == ["HX-210"]
        # everybody else sees what is new,
        assert lists(shop) == ["HX-210", "KM-7"]
    # and whoever still holds the page's shop when the page is done does too.
    assert lists(here) == ["HX-210", "KM-7"]
    with shop.for_one_page() as here:
        assert lists(here) == ["HX-210", "KM-7"]
