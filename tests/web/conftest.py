"""Applications to ask: an empty shop, one with a case, and the demo."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from factories import a_case, a_family, bring, demo_shop, filled_shop, fresh_shop
from web_client import Client

from kb.service import Shop


def _one_case(shop: Shop) -> None:
    assert bring(shop, a_family(aliases=["GL31-B"]), a_case("one")).saved


@pytest.fixture
def client() -> Iterator[Client]:
    """A shop with one family and one case, uid `one`."""
    made = Client(filled_shop("one case", _one_case))
    yield made
    made.close()


@pytest.fixture
def empty() -> Iterator[Client]:
    """A shop without any record."""
    made = Client(fresh_shop())
    yield made
    made.close()


@pytest.fixture(scope="session")
def demo() -> Iterator[Client]:
    """The demo store, only read by the tests that share it."""
    made = Client(demo_shop(), demo=True)
    yield made
    made.close()
