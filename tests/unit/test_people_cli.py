"""`kb person`: accounts from the terminal, with no password on the command line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from test_cli import kb, one_line

PASSWORD = b"lantern gravel outboard tuesday\n"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


def told(data: Path, *arguments: str, stdin: bytes | None = None, **more: str) -> str:
    done = kb(data, "person", *arguments, stdin=stdin, **more)
    assert done.returncode == 0, done.stderr
    return done.stdout.decode()


def test_people_are_added_listed_changed_and_removed(data: Path) -> None:
    assert "owner may administer" in told(
        data, "add", "owner", "--level", "administer", "--password", stdin=PASSWORD
    )
    link = told(data, "add", "bench 1", KB_BASE_URL="https://shop.lan/")
    assert re.search(r"^https://shop\.lan/set-up/[\w-]{43}$", link, re.MULTILINE)
    listed = told(data, "list").splitlines()
    assert [line.split("\t")[:3] for line in listed] == [
        ["bench 1", "work", "has a link, no password yet"],
        ["owner", "administer", "can sign in"],
    ]
    assert told(data, "level", "BENCH 1", "read") == "bench 1 may read.\n"
    assert "/set-up/" in told(data, "link", "bench 1")
    assert "new password" in told(data, "password", "bench 1", stdin=PASSWORD)
    assert told(data, "remove", "bench 1") == "bench 1 was removed.\n"
    assert "bench 1" not in told(data, "list")


def test_what_cannot_be_done_is_told_in_one_line(data: Path) -> None:
    told(data, "add", "owner", "--level", "administer", "--password", stdin=PASSWORD)
    for arguments, words, stdin in (
        (("add", "owner"), "There is a person called owner", None),
        (("add", " "), "The name is empty", None),
        (("add", "two", "--password"), "8 of at least 12", b"too soon\n"),
        (("link", "nobody"), "no person called nobody", None),
        (("remove", "owner"), "Nobody but owner could administer", None),
        (("level", "owner", "read"), "Nobody but owner could administer", None),
        (("password", "owner"), "guessed", b"password1234567\n"),
    ):
        assert words in one_line(kb(data, "person", *arguments, stdin=stdin))
    assert told(data, "list").count("\n") == 1


def test_there_is_no_way_to_write_a_password_on_the_command_line(data: Path) -> None:
    for arguments in (("add", "x", "--password", "secret words"), ("password", "x", "secret words")):
        done = kb(data, "person", *arguments)
        assert done.returncode == 2
