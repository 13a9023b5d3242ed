"""Keeps in the store when sessions and tokens were last used, beside the pages' work."""

from __future__ import annotations

import logging

from kb.errors import StoreTrouble
from kb.service.shop.periodic import NowAndThen
from kb.service.shop.shop import Shop
from kb.store.records import sign_ins

log = logging.getLogger(__name__)


def keep(shop: Shop) -> None:
    """Writes what is not in the store yet; what cannot be written waits for the next time."""
    sessions, tokens = shop.uses.waiting()
    if not sessions and not tokens:
        return
    try:
        with shop.write() as session:
            sign_ins.note_uses(session, sessions, tokens)
    except StoreTrouble as error:
        log.warning("the use of sessions and tokens was not noted: %s", error.message)
        return
    shop.uses.forget(sessions, tokens)


class UseKeeper(NowAndThen):
    """Keeps them twice a minute, and at the end."""

    name = "use keeper"
    first_look_s, between_looks_s = 30.0, 30.0

    def look(self) -> None:
        """Keeps them."""
        keep(self._shop)

    def stop(self) -> None:
        """Ends, with what was used last."""
        super().stop()
        self.look()
