"""A store of its own for every test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from factories import a_family, bring, fresh_shop, shop_in

from kb.service import Shop


@pytest.fixture
def shop() -> Iterator[Shop]:
    """An empty shop in memory."""
    made = fresh_shop()
    yield made
    made.close()


@pytest.fixture
def stocked(shop: Shop) -> Shop:
    """A shop that knows the family GL-31."""
    assert bring(shop, a_family(aliases=["GL31-B", "Pier display"])).saved
    return shop


@pytest.fixture
def disk_shop(tmp_path: Path) -> Iterator[Shop]:
    """A shop on disk that knows the family GL-31."""
    made = shop_in(tmp_path / "data")
    assert bring(made, a_family()).saved
    yield made
    made.close()
