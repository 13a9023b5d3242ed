"""A shop on the network with somebody of every level, and requests in their names."""

from __future__ import annotations

from typing import Any

import httpx
from factories import a_case, a_family, bring, filled_shop, fresh_shop
from web_client import HOST, Client

from kb.model.people import LEVELS
from kb.service import Shop
from kb.service.accounts import people, tokens
from kb.service.accounts import signed_in as signing_in
from kb.service.accounts.audit import Visitor
from kb.web.guard.addresses import Serving

KEY = "a key for tests that signs what they make " * 2
# Names by level; the roles are invented.
NAMES = {"read": "front desk", "work": "bench 1", "administer": "owner"}
PASSWORD = "lantern gravel outboard tuesday"


BEGINS = 1_790_000_000.0


def _settle(shop: Shop, *, passwords: bool, bare: bool) -> None:
    """Adds somebody of every level, and a case unless `bare`. Where no test types a password, everybody has
    something in its place."""
    shop.clock = lambda: BEGINS
    if not bare:
        assert bring(shop, a_family(), a_case("one")).saved
    for level in LEVELS:
        account, _ = people.add(
            shop, people.COMMAND_LINE, NAMES[level], level, PASSWORD if passwords else None
        )
        if not passwords:
            with shop.write() as session:
                people.records.change(session, account.id, password_hash="never typed")


class Office(Client):
    """A client of a shop where people sign in. `now` is the shop's clock and only moves when told to.

    `shop` is one without people; left out, a fresh one. One case is added to it, unless `bare`.
    """

    def __init__(
        self,
        *,
        passwords: bool = False,
        tls: bool = False,
        shop: Shop | None = None,
        bare: bool = False,
        **settings: Any,
    ) -> None:
        self.now = BEGINS
        if shop or settings:
            shop = shop or fresh_shop(**settings)
            _settle(shop, passwords=passwords, bare=bare)
        else:
            shop = filled_shop(
                f"office{' with passwords' * passwords}{', bare' * bare}",
                lambda new: _settle(new, passwords=passwords, bare=bare),
            )
        super().__init__(
            shop, serving=Serving(sign_in=True, hosts=frozenset({"bench.lan"}), tls=tls, key=KEY)
        )
        shop.clock = lambda: self.now
        with shop.read() as session:
            found = {account.name: account.id for account in people.records.every(session)}
        self.ids: dict[str, int] = {level: found[NAMES[level]] for level in LEVELS}

    def visitor(self, level: str) -> Visitor:
        """Somebody of a level, as a service sees them."""
        return Visitor(NAMES[level], level, "192.0.2.7", self.ids[level])

    def key_of(self, level: str) -> str:
        """The key of a new session."""
        account = people.get(self.shop, self.ids[level])
        with self.shop.write() as session:
            return signing_in.begin(self.shop, session, account, address="192.0.2.7", browser="a browser")

    def cookie_for(self, key: str) -> str:
        """The Cookie header of a browser that holds a key."""
        return str(self.app.state.cookies.session(key).partition(";")[0])

    def signed_in(self, level: str, key: str | None = None) -> dict[str, str]:
        """The headers that a browser of somebody of a level sends with what it writes."""
        return {"Cookie": self.cookie_for(key or self.key_of(level)), "Origin": HOST, "Accept": "text/html"}

    def with_token(self, level: str, scope: str) -> dict[str, str]:
        """The headers of a program with a new token."""
        token = tokens.make(self.shop, self.visitor(level), "a program", scope, "30")
        return {"Authorization": f"Bearer {token}"}

    def as_(self, level: str, method: str, path: str, **options: Any) -> httpx.Response:
        """A request in the name of somebody of a level, "" for nobody's."""
        headers = self.signed_in(level) if level else {"Origin": HOST, "Accept": "text/html"}
        return self.call(method, path, headers={**headers, **options.pop("headers", {})}, **options)


def asks_to_sign_in(answer: httpx.Response) -> bool:
    """Whether an answer sends to the sign-in page or says that one is not signed in."""
    return answer.status_code == 401 or answer.headers.get("location", "").startswith("/sign-in")
