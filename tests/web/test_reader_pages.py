"""No page shows anybody a button, a form or a link that would be refused to them.

A shop in which every kind of record stands in every state is walked through at each level: from the start
page along the links, and by an example of every address. What a page offers is asked of the one table.
"""

from __future__ import annotations

import re
from collections import Counter, deque
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urljoin, urlsplit

import httpx
import pytest
import tiers
from jinja2 import BaseLoader, Environment
from lived_in import LivedIn, bare_shop, lived_in
from web_client import HOST, Client

from kb import assets
from kb.model.people import LEVELS, reaches
from kb.web import rendering
from kb.web.guard import access
from kb.web.guard.access import ACCESS, ANYBODY, Need, Route

NOBODY, BENCH = "", "bench"
# What a reader may look at and is not led to: the sheet for a test that is about to begin, and the page of
# a case where a phone sends photographs, which stand on the case's own page as well.
POINTLESS = {("GET", "/bench/sheet"), ("GET", "/cases/{uid}/photos")}
# Attributes that hold addresses, those for the scripts too.
LEADS = {
    "href": "GET",
    "src": "GET",
    "formaction": "POST",
    "data-send": "POST",
    "data-read": "POST",
    "data-live": "GET",
    "data-ask-take": "POST",
    "data-ask-record": "POST",
}
_TAG = re.compile(r"""<[a-z](?:[^>"']|"[^"]*"|'[^']*')*>""")
_SENDS_OR_LEADS = re.compile(rf"<form\b|\s(?:{'|'.join(LEADS)})=")
# Of each route so many pages are looked at, besides the examples.
MOST_OF_A_ROUTE = 2
# In the quick tier a bench without sign-in is left to the long one, and who may work, which lies between the two
# others, looks at no more than the answers to the forms.
WALKING = LEVELS if tiers.IS_LONG else ("read", "administer")
WALKERS = (NOBODY, *LEVELS, *([BENCH] if tiers.IS_LONG else []))
pytestmark = tiers.in_both()
# What sends or leads somewhere is marked in the templates, so that one which is never met is known.
_OFFERS = re.compile(
    r"(?=<form\b|<button\b|<a class=\"button"
    r"|\{\{ ?(?:submit|link_button|row_add|row_remove)\("
    r"|\{\{ ?empty\(.*, (?:may_work and )?\()"
)
_MARK = re.compile(r"<!--offer ([^>]+)-->")


class Offers(HTMLParser):
    """Where a page leads and what it or its scripts can send: (method, address as written)."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, str]] = []
        for tag in _TAG.findall(html):  # all others are four in five, and the parser is slow
            if _SENDS_OR_LEADS.search(tag):
                self.feed(tag)
                self.clear_cdata_mode()  # what follows a script's tag is no script here
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.found.append((given.get("method", "get").upper(), given.get("action", "")))
        self.found += [(method, given[name]) for name, method in LEADS.items() if name in given]


@dataclass
class Walk:
    """What somebody of a level met: routes looked at and offered, what is wrong, and marks."""

    level: str
    met: set[str] = field(default_factory=set)
    offered: set[tuple[str, str]] = field(default_factory=set)
    wrong: list[str] = field(default_factory=list)
    marks: set[str] = field(default_factory=set)


def marked_environment() -> Environment:
    """The templates with a comment before everything that sends or leads somewhere, naming its line."""
    plain = rendering.environment()

    class Marking(BaseLoader):
        def get_source(self, environment: Environment, template: str) -> Any:
            assert plain.loader is not None
            text, name, fresh = plain.loader.get_source(environment, template)
            return marked(template, text), name, fresh

    made: Environment = plain.overlay(loader=Marking(), bytecode_cache=None)  # it keeps them by name
    return made


def marked(template: str, text: str) -> str:
    return "\n".join(
        _OFFERS.sub(lambda found: f"<!--offer {template}:{number}:{found.start() + 1}-->", line)  # noqa: B023
        for number, line in enumerate(text.split("\n"), 1)
    )


def all_marks() -> set[str]:
    folder = assets.folder("templates")
    found: set[str] = set()
    for file in folder.rglob("*.html"):
        found |= set(_MARK.findall(marked(str(file.relative_to(folder)), file.read_text(encoding="utf-8"))))
    return found


class Walker:
    """Looks at pages in the name of somebody of a level and asks the table about all they offer."""

    def __init__(self, there: LivedIn, who: str) -> None:
        level = "administer" if who == BENCH else who
        self.walk = Walk(level)
        self._there = there
        self._client: Client = there.bench if who == BENCH else there.office
        self._routes: list[Route] = access.routes_of(self._client.app)
        self._headers = {"Origin": HOST, "Accept": "text/html"}
        self._headers |= there.office.signed_in(level) if who in LEVELS else {}
        self._seen: set[str] = set()

    def go(self) -> None:
        """Sends the forms and looks at the examples that the level may, and goes on along the links."""
        self._seen.clear()
        walks = tiers.IS_LONG or self.walk.level != "work"
        self._ahead = deque(["/", *self._there.addresses] if walks else [])
        looked_at: Counter[str] = Counter()
        for least, path, data in self._there.sent:
            if least == self.walk.level or (least and self.walk.level and reaches(self.walk.level, least)):
                self._send(path, data)
        examples = len(self._ahead)
        while self._ahead:
            address, examples = self._ahead.popleft(), examples - 1
            route = self._route("GET", address)
            if route and (examples >= 0 or looked_at[route.path] < MOST_OF_A_ROUTE):
                looked_at[route.path] += 1
                self._look(address, route)

    def _send(self, path: str, data: dict[str, Any]) -> None:
        """A form whose answer is a page of its own."""
        answer = self._client.call("POST", path, data=data, headers=self._headers)
        assert answer.status_code in (200, 401, 409, 422, 503), f"{path}: {answer.status_code}"
        self._read(f"the answer to POST {path}", path, answer)

    def _route(self, method: str, address: str) -> Route | None:
        return access.chosen(self._routes, method, urlsplit(address).path)

    def _may(self, need: Need) -> bool:
        return need is ANYBODY or bool(self.walk.level and reaches(self.walk.level, need.level))

    def _look(self, address: str, route: Route) -> None:
        need = route.need("GET")
        if need is None or address in self._seen or not self._may(need):
            return
        self._seen.add(address)
        self.walk.met.add(route.path)
        answer = self._client.get(address, headers=self._headers)
        if answer.status_code == 403:
            self.walk.wrong.append(f"{address} is refused")
        if "location" in answer.headers:
            self._offer(f"{address} (leads on)", "GET", urljoin(address, answer.headers["location"]))
        self._read(address, address, answer)

    def _read(self, name: str, address: str, answer: httpx.Response) -> None:
        assert answer.status_code < 500 or answer.status_code == 503, f"{name}: {answer.status_code}"
        if not answer.headers.get("content-type", "").startswith("text/html"):
            return
        self.walk.marks |= set(_MARK.findall(answer.text))
        for method, written in Offers(answer.text).found:
            if not written.startswith("#"):
                self._offer(name, method, urljoin(address, written))

    def _offer(self, page: str, method: str, address: str) -> None:
        if urlsplit(address).netloc:
            return
        route = self._route(method, address)
        need = route.need(method) if route else None
        if route is None or need is None:
            self.walk.wrong.append(f"{page} offers {method} {address}, which is nowhere")
            return
        self.walk.offered.add((method, route.path))
        if not self._may(need):
            self.walk.wrong.append(
                f"{page} offers {method} {address}, which is for those who may {need.level}"
            )
        elif method == "GET" and not route.is_files:
            self._ahead.append(address.partition("#")[0])


@pytest.fixture(scope="module")
def walks(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Walk]]:
    """What each level, and nobody, and a bench without sign-in meet in a shop after years, which is then cut
    off from its database, and in one where nothing was noted yet."""
    templates = marked_environment()
    folder = tmp_path_factory.mktemp("walks")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rendering, "environment", lambda: templates)
        busy, bare = lived_in(folder / "busy"), bare_shop(folder / "bare")
        walkers = {who: [Walker(there, who) for there in (busy, bare)] for who in WALKERS}
        for both in walkers.values():
            for walker in both:
                walker.go()
        busy.cut_off(patch)
        for walker, _ in walkers.values():
            walker.go()
        busy.close()
        bare.close()
    return {who: [walker.walk for walker in both] for who, both in walkers.items()}


@pytest.mark.parametrize("level", LEVELS)
def test_nothing_is_offered_that_the_level_may_not_use(walks: dict[str, list[Walk]], level: str) -> None:
    wrong = "\n".join(sorted({line for walk in walks[level] for line in walk.wrong}))
    assert not wrong, f"to somebody who may {level}:\n{wrong}"


@pytest.mark.parametrize("level", WALKING)
def test_a_page_of_every_route_was_looked_at(walks: dict[str, list[Walk]], level: str) -> None:
    may = {
        path
        for (method, path), need in ACCESS.items()
        if method == "GET" and path != "/static" and (need is ANYBODY or reaches(level, need.level))
    }
    missing = may - walks[level][0].met
    assert not missing, f"give an example of each in tests/web/lived_in.py: {sorted(missing)}"


def test_everything_that_a_template_can_offer_was_met(walks: dict[str, list[Walk]]) -> None:
    met = {mark for all_of_level in walks.values() for walk in all_of_level for mark in walk.marks}
    missing = sorted(all_marks() - met)
    assert not missing, "show each of these in tests/web/lived_in.py:\n" + "\n".join(missing)


@pytest.mark.parametrize("level", ["read", "work"] if tiers.IS_LONG else ["read"])
def test_nothing_is_hidden_from_who_may_use_it(walks: dict[str, list[Walk]], level: str) -> None:
    """What the highest level is offered and a lower one may use as well, the lower one is offered too."""
    mine = {key for key in offers(walks["administer"]) if reaches(level, ACCESS[key].level or level)}
    hidden = sorted(mine - offers(walks[level]) - (POINTLESS if level == "read" else set()))
    assert not hidden, f"from somebody who may {level}: {hidden}"


@pytest.mark.long
def test_a_bench_without_sign_in_is_offered_everything(walks: dict[str, list[Walk]]) -> None:
    of_accounts = {key for key in ACCESS if key[1].startswith(("/account", "/sign-out"))}
    hidden = sorted(offers(walks["administer"]) - of_accounts - offers(walks[BENCH]))
    assert not hidden, hidden


def test_scripts_send_only_what_a_form_of_the_page_says() -> None:
    """Pictures go where `data-send` of their form says, the words of a case where `data-read` says, questions to an
    instrument where `data-ask-take` and `data-ask-record` say, a form where its action or that of its button says, at
    once or out of the queue, what was spoken to the calls of `/api/speech`; marks are sent by their form itself."""
    sends = re.compile(r"""(?<!indexedDB)\.open\(["'](?!GET)|method: *["'](?!GET)|sendBeacon""")
    scripts = (assets.folder("static") / "js").glob("*.js")
    found = {file.name: len(sends.findall(file.read_text(encoding="utf-8"))) for file in scripts}
    assert {name: count for name, count in found.items() if count} == {
        "instruments.js": 1,
        "outbox.js": 1,
        "read_words.js": 1,
        "send_files.js": 1,
        "speak.js": 1,
    }


def offers(walks: list[Walk]) -> set[tuple[str, str]]:
    return {key for walk in walks for key in walk.offered}
