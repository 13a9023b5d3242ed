"""A question that fails because the database goes away at that moment is asked once more, of the copies."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar

from kb.errors import StoreAway
from kb.service.shop.shop import Shop

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")


def retry_when_cut_off(
    question: Callable[Concatenate[Shop, Asked], Answer],
) -> Callable[Concatenate[Shop, Asked], Answer]:
    """Asks once more what failed in the moment in which the database went away: then of what is kept here."""

    @wraps(question)
    def ask(shop: Shop, *args: Asked.args, **more: Asked.kwargs) -> Answer:
        was_away = shop.store.away is not None
        try:
            return question(shop, *args, **more)
        except StoreAway:
            if was_away or shop.store.away is None:
                raise
            return question(shop, *args, **more)

    return ask
