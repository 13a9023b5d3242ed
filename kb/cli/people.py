"""`kb person …`: accounts made and mended on the machine that serves, by whoever may read its data folder."""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

from kb.errors import BadInput
from kb.model.people import LEVELS, WORK
from kb.service import Shop
from kb.service.accounts import audit, people, second_factor

OpenShop = Callable[[], AbstractContextManager[Shop]]


def add_to(commands: Any, open_shop: OpenShop) -> None:
    """Adds the command to the parser's commands."""
    person = commands.add_parser("person", help="add, list, change and remove people who may sign in")
    actions = person.add_subparsers(required=True, metavar="ACTION")

    def action(name: str, run: Callable[[argparse.Namespace, Shop], None], told: str) -> Any:
        parser = actions.add_parser(name, help=told)

        def in_shop(parsed: argparse.Namespace) -> int:
            with open_shop() as shop:
                run(parsed, shop)
            return 0

        parser.set_defaults(run=in_shop)
        return parser

    add = action("add", _add, "add a person and print the one-time link to choose a password with")
    add.add_argument("name", metavar="NAME")
    add.add_argument("--level", choices=list(LEVELS), default=WORK, help="what the person may do")
    add.add_argument(
        "--password", action="store_true", help="ask for a password here instead of making a link"
    )
    action("list", _list, "list people with their levels")
    level = action("level", _level, "change what a person may do")
    level.add_argument("name", metavar="NAME")
    level.add_argument("level", choices=list(LEVELS))
    link = action("link", _link, "give a person a new one-time link; the old password ends")
    link.add_argument("name", metavar="NAME")
    password = action("password", _password, "ask for a person's new password on this terminal")
    password.add_argument("name", metavar="NAME")
    code_off = action(
        "code-off", _code_off, "take a person's second factor away, where phone and codes are lost"
    )
    code_off.add_argument("name", metavar="NAME")
    remove = action("remove", _remove, "remove a person; sessions and tokens end at once")
    remove.add_argument("name", metavar="NAME")


def _add(parsed: argparse.Namespace, shop: Shop) -> None:
    password = _ask() if parsed.password else None
    account, secret = people.add(shop, people.COMMAND_LINE, parsed.name, parsed.level, password)
    if secret:
        _tell_link(shop, account.name, secret)
    else:
        print(f"{account.name} may {account.level} and can sign in.")


def _list(parsed: argparse.Namespace, shop: Shop) -> None:
    for person in people.listed(shop):
        last = f"{audit.moment(person.signed_in_at):%Y-%m-%d}" if person.signed_in_at else "never"
        print(f"{person.name}\t{person.level}\t{person.state}\tlast signed in: {last}")


def _level(parsed: argparse.Namespace, shop: Shop) -> None:
    found = people.named(shop, parsed.name)
    account = people.set_level(shop, people.COMMAND_LINE, found.id, parsed.level)
    print(f"{account.name} may {account.level}.")


def _link(parsed: argparse.Namespace, shop: Shop) -> None:
    found = people.named(shop, parsed.name)
    account, secret = people.new_link(shop, people.COMMAND_LINE, found.id)
    _tell_link(shop, account.name, secret)


def _password(parsed: argparse.Namespace, shop: Shop) -> None:
    found = people.named(shop, parsed.name)
    people.set_password(shop, people.COMMAND_LINE, found.id, _ask())
    print(f"{found.name} has a new password; all their sessions have ended.")


def _code_off(parsed: argparse.Namespace, shop: Shop) -> None:
    found = people.named(shop, parsed.name)
    second_factor.remove(shop, people.COMMAND_LINE, found.id)
    print(f"{found.name} signs in with the password alone.")


def _remove(parsed: argparse.Namespace, shop: Shop) -> None:
    account = people.remove(shop, people.COMMAND_LINE, people.named(shop, parsed.name).id)
    print(f"{account.name} was removed.")


def _tell_link(shop: Shop, name: str, secret: str) -> None:
    base = shop.settings.base_url.rstrip("/") or "http://127.0.0.1:8765"
    print(f"{name} chooses a password here, once, within {people.LINK_HOURS} hours:")
    print(f"{base}/set-up/{secret}")


def _ask() -> str:
    return asked("Password: ", twice=True)


def asked(what: str, *, twice: bool = False) -> str:
    """A secret typed on the terminal, unseen, or the first line of what is piped in.

    Raises BadInput where it is typed twice and differs.
    """
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass(what)
    if twice and first != getpass.getpass("Again: "):
        raise BadInput("The two are not the same.", remedy="Try again.")
    return first
