"""Accounts in a real file: who stays, what ends at once, and many hands at the same moment."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring, exported, settings_in, shop_in

from kb.errors import BadInput, Conflict, KbError, NotFound, Taken, TooSoon
from kb.service import Shop
from kb.service.accounts import audit, passwords, people, signed_in, throttle, tokens
from kb.service.accounts.audit import Visitor
from kb.service.operate import backup_files
from kb.store.records import people as records
from kb.store.records import sign_ins

PASSWORD = "lantern gravel outboard tuesday"
OTHER = "mooring kettle ninety sparrows"


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = shop_in(tmp_path / "data")
    made.clock = lambda: 1_790_000_000.0
    yield made
    made.close()


def add(shop: Shop, name: str, level: str, password: str | None = None) -> Visitor:
    """A person with a password, "never typed" where the test types none."""
    account, _ = people.add(shop, people.COMMAND_LINE, name, level, password)
    if password is None:
        with shop.write() as session:
            records.change(session, account.id, password_hash="never typed")
    return Visitor(name, level, "192.0.2.7", account.id)


def at(shop: Shop, seconds: float) -> None:
    """Moves the shop's clock on."""
    moment = shop.clock() + seconds
    shop.clock = lambda: moment


def at_once(*works: Callable[[], object]) -> list[object]:
    """What comes of works that begin at the same moment: an answer or an error each."""
    ready, found = threading.Barrier(len(works)), [None] * len(works)

    def run(number: int, work: Callable[[], object]) -> None:
        ready.wait()
        try:
            found[number] = work()  # type: ignore[call-overload]
        except KbError as error:
            found[number] = error  # type: ignore[call-overload]

    threads = [threading.Thread(target=run, args=pair) for pair in enumerate(works)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(STUCK_S)
    return found


@pytest.mark.parametrize("act", ["remove", "demote", "reset", "mixed"])
def test_of_two_administrators_who_remove_each_other_one_stays(shop: Shop, act: str) -> None:
    for number in range(12):
        one, two = (add(shop, f"owner {number} {side}", "administer") for side in "ab")
        with shop.write() as session:
            for account in records.every(session):
                if account.id not in (one.person_id, two.person_id):
                    records.remove(session, account.id)

        def against(by: Visitor, whom: Visitor, how: str) -> Callable[[], object]:
            target = whom.person_id or 0
            return {
                "remove": lambda: people.remove(shop, by, target),
                "demote": lambda: people.set_level(shop, by, target, "work"),
                "reset": lambda: people.new_link(shop, by, target),
            }[how]

        hows = ("remove", "demote") if act == "mixed" else (act, act)
        found = at_once(against(one, two, hows[0]), against(two, one, hows[1]))
        assert sum(isinstance(answer, Conflict) for answer in found) == 1, found
        with shop.read() as session:
            left = [
                account
                for account in records.every(session)
                if account.level == "administer" and account.password_hash
            ]
        assert len(left) == 1


def test_the_last_administrator_cannot_go_and_may_when_another_can_sign_in(shop: Shop) -> None:
    owner = add(shop, "owner", "administer")
    # Somebody with a link only cannot sign in yet, and does not count.
    people.add(shop, owner, "partner", "administer")
    for work in (
        lambda: people.remove(shop, owner, owner.person_id or 0),
        lambda: people.set_level(shop, owner, owner.person_id or 0, "read"),
    ):
        with pytest.raises(Conflict, match="Nobody but owner"):
            work()
    add(shop, "second", "administer")
    people.set_level(shop, owner, owner.person_id or 0, "read")
    assert people.get(shop, owner.person_id or 0).level == "read"


def test_removing_a_person_ends_sessions_and_tokens_at_once(shop: Shop) -> None:
    owner, gone = add(shop, "owner", "administer"), add(shop, "bench 2", "work")
    account = people.get(shop, gone.person_id or 0)
    with shop.write() as session:
        key = signed_in.begin(shop, session, account, address="192.0.2.7", browser="")
    token = tokens.make(shop, gone, "logger", "work", "30")
    assert signed_in.visitor_with_key(shop, key, "") is not None
    assert tokens.visitor_with_token(shop, token, "") is not None
    people.remove(shop, owner, account.id)
    assert signed_in.visitor_with_key(shop, key, "") is None
    assert tokens.visitor_with_token(shop, token, "") is None
    # Somebody else who gets the same name is somebody else.
    add(shop, "bench 2", "administer")
    assert signed_in.visitor_with_key(shop, key, "") is None
    assert tokens.visitor_with_token(shop, token, "") is None


def test_a_link_works_once_and_for_two_days(shop: Shop) -> None:
    owner = add(shop, "owner", "administer")
    account, secret = people.add(shop, owner, "apprentice", "read")
    with pytest.raises(BadInput, match="guessed"):
        people.choose_password(shop, secret, "password password", address="192.0.2.8")
    found = at_once(
        *(lambda: people.choose_password(shop, secret, PASSWORD, address="192.0.2.8") for _ in range(2))
    )
    assert sum(isinstance(answer, NotFound) for answer in found) == 1
    with pytest.raises(NotFound, match="used, replaced by a newer one, or has expired"):
        people.opened_by(shop, secret)
    visitor, _ = signed_in.sign_in(shop, "apprentice", PASSWORD, address="192.0.2.8")
    assert (visitor.name, visitor.level) == ("apprentice", "read")
    _, late = people.new_link(shop, owner, account.id)
    at(shop, people.LINK_HOURS * 3600)
    with pytest.raises(NotFound):
        people.choose_password(shop, late, OTHER, address="192.0.2.8")


def test_a_new_link_ends_the_old_one_the_password_and_all_that_is_signed_in(shop: Shop) -> None:
    owner = add(shop, "owner", "administer")
    person = add(shop, "front desk", "work", PASSWORD)
    _, key = signed_in.sign_in(shop, "front desk", PASSWORD, address="192.0.2.9")
    token = tokens.make(shop, person, "till", "read", "1")
    account, first = people.new_link(shop, owner, person.person_id or 0)
    _, second = people.new_link(shop, owner, account.id)
    assert signed_in.visitor_with_key(shop, key, "") is None
    assert tokens.visitor_with_token(shop, token, "") is None
    with pytest.raises(BadInput, match="do not belong together"):
        signed_in.sign_in(shop, "front desk", PASSWORD, address="192.0.2.9")
    with pytest.raises(NotFound):
        people.opened_by(shop, first)
    assert people.opened_by(shop, second).id == account.id
    with pytest.raises(BadInput, match="yourself"):
        people.new_link(shop, owner, owner.person_id or 0)


def test_a_changed_password_ends_all_other_sessions(shop: Shop) -> None:
    add(shop, "bench 1", "work", PASSWORD)
    _, here = signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")
    _, there = signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.10")
    mine = signed_in.visitor_with_key(shop, here, "192.0.2.9")
    assert mine is not None
    with pytest.raises(BadInput, match="not your present password"):
        people.change_password(shop, mine[0], "wrong", OTHER)
    people.change_password(shop, mine[0], PASSWORD, OTHER)
    assert signed_in.visitor_with_key(shop, here, "192.0.2.9") is not None
    assert signed_in.visitor_with_key(shop, there, "192.0.2.10") is None
    with pytest.raises(BadInput):
        signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")
    signed_in.sign_in(shop, "bench 1", OTHER, address="192.0.2.9")


def test_a_session_left_open_is_no_place_to_guess_the_password_at(shop: Shop) -> None:
    add(shop, "bench 1", "work", PASSWORD)
    _, key = signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")
    found = signed_in.visitor_with_key(shop, key, "192.0.2.9")
    assert found is not None
    outcomes = []
    for number in range(12):
        try:
            people.change_password(shop, found[0], f"guess {number}", OTHER)
        except KbError as error:
            outcomes.append(type(error))
    assert outcomes == [BadInput] * 5 + [TooSoon] * 7
    # Guessing here keeps nobody from signing in.
    signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")


def test_a_hash_made_with_other_parameters_is_made_again_at_the_next_sign_in(shop: Shop) -> None:
    from argon2 import PasswordHasher, extract_parameters

    person = add(shop, "bench 1", "work")
    weak = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(PASSWORD)
    with shop.write() as session:
        records.change(session, person.person_id or 0, password_hash=weak)
    signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")
    kept = people.get(shop, person.person_id or 0).password_hash
    assert kept != weak
    # Those that the program uses; published/test_argon2.py says which.
    assert extract_parameters(kept) == extract_parameters(passwords.hashed("another"))
    assert not passwords.is_outdated(kept)
    signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")


@pytest.mark.parametrize("written", ["bench 1", "BENCH 1", "  bench   1 ", "ｂｅｎｃｈ １"])
def test_a_name_is_taken_however_it_is_written(shop: Shop, written: str) -> None:
    add(shop, "bench 1", "work")
    with pytest.raises(Taken):
        people.add(shop, people.COMMAND_LINE, written, "read")


@pytest.mark.parametrize("name", ["", "   ", "a" * 61, "a\x00b", "a\u202eb", "\ufeffowner", "own\u200ber"])
def test_a_name_that_cannot_be_read_is_refused(shop: Shop, name: str) -> None:
    with pytest.raises(BadInput) as told:
        people.add(shop, people.COMMAND_LINE, name, "read")
    assert told.value.field == "name"
    assert told.value.remedy


def wrong(shop: Shop, name: str, address: str, device: str = "") -> type[KbError]:
    try:
        signed_in.sign_in(shop, name, "wrong wrong wrong", address=address, device=device)
    except KbError as error:
        return type(error)
    raise AssertionError("a wrong password was taken")


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords that match when they are equal, for tests of counting alone."""
    monkeypatch.setattr(passwords, "matches", lambda kept, typed: kept == f"kept {typed}")
    monkeypatch.setattr(passwords, "is_outdated", lambda kept: False)


def known(shop: Shop, name: str, level: str = "work") -> None:
    person = add(shop, name, level)
    with shop.write() as session:
        records.change(session, person.person_id or 0, password_hash=f"kept {PASSWORD}")


@pytest.mark.usefixtures("quick")
def test_nobody_locks_a_known_account_out_from_elsewhere(shop: Shop) -> None:
    known(shop, "owner", "administer")
    # A guesser with as many addresses as they like, for an hour.
    looked_at = sum(
        wrong(shop, "owner", f"198.51.100.{number % 250}") is BadInput
        for number in range(1200)
        if at(shop, 3) is None
    )
    assert looked_at < 100  # OWASP ASVS 4.0.3, 2.2.1 (from memory): no more than 100 an hour on one account
    # The owner's own browser has a mark and waits for nothing; at a new place they wait a minute at most.
    signed_in.sign_in(shop, "owner", PASSWORD, address="203.0.113.5", device="mark")
    with pytest.raises(TooSoon) as told:
        signed_in.sign_in(shop, "owner", PASSWORD, address="203.0.113.5")
    assert told.value.seconds <= 60
    at(shop, 61)
    signed_in.sign_in(shop, "owner", PASSWORD, address="203.0.113.5")


@pytest.mark.usefixtures("quick")
def test_the_wait_grows_for_who_guesses_on_and_ends_with_success_elsewhere(shop: Shop) -> None:
    known(shop, "bench 1")
    known(shop, "bench 2")
    waits = []
    for _ in range(16):
        assert wrong(shop, "bench 1", "192.0.2.5") is BadInput
        try:
            signed_in.sign_in(shop, "bench 1", "wrong", address="192.0.2.5")
        except TooSoon as error:
            waits.append(error.seconds)
            at(shop, error.seconds)
        except BadInput:
            waits.append(0)
    assert waits[:2] == [0, 0]
    assert waits == sorted(waits)
    assert waits[-1] == 900
    # A colleague beside them, at the same address, waits for the address alone.
    at(shop, 900)
    signed_in.sign_in(shop, "bench 2", PASSWORD, address="192.0.2.5")
    signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.6")


@pytest.mark.usefixtures("quick")
def test_a_place_that_tries_many_names_waits_for_all_of_them(shop: Shop) -> None:
    outcomes = [wrong(shop, f"name {number}", "192.0.2.5") for number in range(200)]
    assert outcomes.count(BadInput) == 20
    assert wrong(shop, "anybody", "2001:db8::1") is BadInput


@pytest.mark.usefixtures("quick")
def test_one_ipv6_network_is_one_place(shop: Shop) -> None:
    outcomes = [wrong(shop, f"name {number}", f"2001:db8:0:7::{number:x}") for number in range(60)]
    assert outcomes.count(BadInput) == 20
    assert throttle.place_of("::ffff:192.0.2.5") == "192.0.2.5"
    assert throttle.place_of("not an address" * 10) == ("not an address" * 10)[:64]


@pytest.mark.usefixtures("quick")
def test_many_guesses_at_once_gain_nothing(shop: Shop) -> None:
    known(shop, "owner", "administer")
    found = at_once(*(lambda: wrong(shop, "owner", "192.0.2.5") for _ in range(24)))
    assert found.count(BadInput) <= 5


@pytest.mark.usefixtures("quick")
def test_two_processes_share_the_counts(shop: Shop) -> None:
    known(shop, "owner", "administer")
    other = Shop.open(shop.settings)
    other.clock = shop.clock
    outcomes = [wrong((shop, other)[number % 2], "owner", "192.0.2.5") for number in range(10)]
    other.close()
    assert outcomes.count(BadInput) == 5


def test_the_store_holds_no_secret_that_was_handed_out(shop: Shop) -> None:
    person = add(shop, "bench 1", "work", PASSWORD)
    _, link = people.add(shop, people.COMMAND_LINE, "apprentice", "read")
    _, key = signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")
    token = tokens.make(shop, person, "logger", "read", "30")
    shop.store.close()
    content = b"".join(file.read_bytes() for file in shop.settings.data.rglob("*") if file.is_file())
    for secret in (PASSWORD, link, key, token, token.removeprefix(tokens.PREFIX)):
        assert secret.encode() not in content


@pytest.mark.parametrize(
    ("scope", "days", "field"),
    [("administer", "30", "scope"), ("", "30", "scope"), ("work", "30", "scope")]
    + [("read", days, "days") for days in ("0", "367", "-1", "many", "1.5", "", "9" * 40, "²")],
)
def test_a_token_for_more_than_its_person_or_for_ever_is_refused(
    shop: Shop, scope: str, days: str, field: str
) -> None:
    reader = add(shop, "front desk", "read")
    with pytest.raises(BadInput) as told:
        tokens.make(shop, reader, "till", scope, days)
    assert told.value.field == field


def test_a_token_expires_is_revoked_and_never_outgrows_its_person(shop: Shop) -> None:
    owner, worker = add(shop, "owner", "administer"), add(shop, "bench 1", "work")
    token = tokens.make(shop, worker, "logger", "work", "2")
    found = tokens.visitor_with_token(shop, token, "192.0.2.7")
    assert found is not None
    assert (found.name, found.level, found.by_token) == ("bench 1", "work", True)
    assert tokens.of(shop, worker)[0].used_at == int(shop.clock())
    people.set_level(shop, owner, worker.person_id or 0, "read")
    found = tokens.visitor_with_token(shop, token, "")
    assert found is not None
    assert found.level == "read"
    at(shop, 2 * 86_400)
    assert tokens.visitor_with_token(shop, token, "") is None
    second = tokens.make(shop, worker, "other", "read", "2")
    with pytest.raises(NotFound):
        tokens.revoke(shop, owner, tokens.of(shop, worker)[0].id)  # somebody else's
    tokens.revoke(shop, worker, tokens.of(shop, worker)[0].id)
    assert tokens.visitor_with_token(shop, second, "") is None


def test_the_audit_list_tells_who_did_what_and_outlives_them(shop: Shop) -> None:
    owner, gone = add(shop, "owner", "administer"), add(shop, "bench 2", "work")
    people.set_level(shop, owner, gone.person_id or 0, "read")
    people.remove(shop, owner, gone.person_id or 0)
    total, lines = audit.listed(shop, limit=2, offset=0)
    assert total >= 4
    assert [(line.entry.event, line.entry.who, line.entry.about) for line in lines] == [
        ("person removed", "owner", "bench 2"),
        ("level changed", "owner", "bench 2"),
    ]
    assert lines[1].entry.detail == "work to read"
    assert lines[0].entry.address == "192.0.2.7"
    assert audit.listed(shop, event="level changed", limit=9, offset=0)[0] == 1


def test_a_restore_brings_back_records_and_not_who_may_see_them(shop: Shop, tmp_path: Path) -> None:
    owner = add(shop, "owner", "administer", PASSWORD)
    gone = add(shop, "bench 2", "administer", PASSWORD)
    revoked = tokens.make(shop, owner, "old", "read", "30")
    _, before = signed_in.sign_in(shop, "bench 2", PASSWORD, address="192.0.2.9")
    assert bring(shop, a_family(), a_case("one")).saved
    backup = tmp_path / "all.zip"
    backup_files.back_up(shop.settings, backup)
    people.remove(shop, owner, gone.person_id or 0)
    tokens.revoke(shop, owner, tokens.of(shop, owner)[0].id)
    token = tokens.make(shop, owner, "new", "read", "30")
    _, now = signed_in.sign_in(shop, "owner", PASSWORD, address="192.0.2.9")
    assert bring(shop, a_case("two")).saved
    backup_files.restore(shop.settings, backup)
    assert '"uid":"two"' not in exported(shop)
    assert '"uid":"one"' in exported(shop)
    assert [person.name for person in people.listed(shop)] == ["owner"]
    for key in (before, now):
        assert signed_in.visitor_with_key(shop, key, "") is None
    assert tokens.visitor_with_token(shop, revoked, "") is None
    assert tokens.visitor_with_token(shop, token, "") is not None
    assert audit.listed(shop, event="person removed", limit=9, offset=0)[0] == 1
    signed_in.sign_in(shop, "owner", PASSWORD, address="192.0.2.9")


def test_a_backup_brings_its_people_to_an_empty_machine(shop: Shop, tmp_path: Path) -> None:
    add(shop, "owner", "administer", PASSWORD)
    _, key = signed_in.sign_in(shop, "owner", PASSWORD, address="192.0.2.9")
    backup = tmp_path / "all.zip"
    backup_files.back_up(shop.settings, backup)
    elsewhere = settings_in(tmp_path / "elsewhere")
    backup_files.restore(elsewhere, backup)
    other = Shop.open(elsewhere)
    other.clock = shop.clock
    assert signed_in.visitor_with_key(other, key, "") is None
    signed_in.sign_in(other, "owner", PASSWORD, address="192.0.2.9")
    other.close()


def test_old_sessions_counts_and_entries_are_let_go(shop: Shop) -> None:
    add(shop, "bench 1", "work", PASSWORD)
    signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")
    wrong(shop, "bench 1", "192.0.2.9")
    at(shop, (shop.settings.audit_days + 1) * 86_400)
    signed_in.sign_in(shop, "bench 1", PASSWORD, address="192.0.2.9")
    assert audit.listed(shop, limit=50, offset=0)[0] == 1
    with shop.read() as session:
        person = records.named(session, "bench 1")
        assert person is not None
        assert len(sign_ins.of_person(session, person.id)) == 1
        assert sign_ins.failures(session, throttle.rules_for("bench 1", "192.0.2.9", "")) == {}
