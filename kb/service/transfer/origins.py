"""Other shops whose cases the store holds: who they are, and letting all their cases go at once."""

from __future__ import annotations

from collections.abc import Iterable

from kb.service.shop.shop import Shop
from kb.service.transfer.incoming import public_id
from kb.store.records import changes, origins
from kb.store.records.origins import StoredOrigin

__all__ = ["StoredOrigin", "allow_again", "listed", "name_of", "names_by_case", "own_id", "withdraw"]


def own_id(shop: Shop) -> str:
    """The id under which other shops know this one."""
    return public_id(shop.store.identity)


def listed(shop: Shop) -> list[StoredOrigin]:
    """All other shops, by name, each with the number of its cases."""
    with shop.read() as session:
        return origins.listed(session)


def name_of(shop: Shop, origin_id: str) -> str:
    """The name of a shop, "" for this one's own cases."""
    if not origin_id:
        return ""
    with shop.known() as session:
        return origins.names(session).get(origin_id, "another shop")


def names_by_case(shop: Shop, uids: Iterable[str]) -> dict[str, str]:
    """The name of the shop by uid, for those of the given cases that are another shop's."""
    with shop.known() as session:
        return origins.of_cases(session, list(dict.fromkeys(uids)))


def withdraw(shop: Shop, origin_id: str) -> int:
    """Puts all cases of a shop into the bin, as one batch, and refuses further ones until it is allowed again.

    Returns how many cases went. Raises NotFound.
    """
    with shop.write() as session:
        origin = origins.get(session, origin_id)
        if origin.withdrawn_at is not None:
            return 0
        batch = changes.begin_batch(session, "withdrawal", origin.name)
        gone = origins.withdraw(session, origin_id, batch)
        changes.end_batch(session, {"binned": gone})
    shop.refresh()
    return gone


def allow_again(shop: Shop, origin_id: str, *, bring_back: bool) -> int:
    """Takes cases of the shop again, and those out of the bin that its withdrawal put there where asked.

    Returns how many came back. Raises NotFound.
    """
    with shop.write() as session:
        origin = origins.get(session, origin_id)
        changes.begin_batch(session, "allowed again", origin.name)
        back = origins.allow_again(session, origin_id, bring_back=bring_back)
        changes.end_batch(session, {"restored": back})
    shop.refresh()
    return back
