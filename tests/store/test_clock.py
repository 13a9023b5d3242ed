"""A clock that is set locks nobody out, ends no session and deletes nothing."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from factories import a_case, a_family, bring, fresh_shop
from signed_in import Office

from kb.errors import NotFound
from kb.service import Shop
from kb.service.accounts import throttle
from kb.service.cases import cases
from kb.service.history.bin import BinKeeper
from kb.service.shop.steady_clock import SteadyClock
from kb.store.records import sign_ins

HOUR_S, DAY_S = 3_600.0, 86_400.0
NOON = 1_790_000_000.0


class Machine:
    """A machine whose clock somebody sets."""

    def __init__(self) -> None:
        self.wall, self.up = NOON, 50.0

    def passes(self, seconds: float) -> None:
        self.wall += seconds
        self.up += seconds

    def clock(self) -> SteadyClock:
        return SteadyClock(lambda: self.wall, lambda: self.up)


@pytest.fixture
def shop() -> Iterator[Shop]:
    made = fresh_shop()
    assert bring(made, a_family(), a_case("binned")).saved
    yield made
    made.close()


def is_there(shop: Shop, uid: str) -> bool:
    try:
        cases.stored(shop, uid)
    except NotFound:
        return False
    return True


@pytest.mark.parametrize("jump_s", [-2 * HOUR_S, 100 * DAY_S])
def test_limits_of_time_go_on_evenly_when_the_clock_is_set(jump_s: float) -> None:
    machine = Machine()
    clock = machine.clock()
    machine.passes(10.0)
    assert clock() == NOON + 10.0
    machine.wall += jump_s
    machine.passes(10.0)
    assert clock() == NOON + 20.0


def test_small_corrections_are_followed_so_that_they_do_not_add_up() -> None:
    machine = Machine()
    clock = machine.clock()
    for _ in range(100):
        machine.passes(10.0)
        machine.wall += 30.0
        assert clock() == machine.wall


def test_failures_from_before_a_clock_was_set_back_make_nobody_wait(shop: Shop) -> None:
    rules = throttle.rules_for("anna", "192.0.2.7", "")
    now = int(NOON)
    with shop.store.write() as session:
        for _ in range(4):
            throttle.count(session, rules, now)
        sign_ins.count_failure(session, next(iter(rules)), 15, now)
        with pytest.raises(throttle.TooSoon):
            throttle.refuse_haste(session, rules, now + 1)
        earlier = now - int(2 * HOUR_S)
        throttle.refuse_haste(session, rules, earlier)
        throttle.count(session, rules, earlier)
        with pytest.raises(throttle.TooSoon):
            throttle.refuse_haste(session, rules, earlier + 1)


def test_the_bin_is_emptied_in_its_time_and_not_after_a_jump(shop: Shop) -> None:
    keeper = BinKeeper(shop)
    start = shop.clock()
    cases.put_in_bin(shop, "binned")
    keeper.look()
    shop.clock = lambda: start + 100 * DAY_S  # the program was started again with a clock that was set
    keeper.look()
    assert is_there(shop, "binned")
    shop.clock = lambda: start + HOUR_S  # and again, when somebody had noticed
    keeper.look()
    shop.clock = lambda: start + 2 * DAY_S
    keeper.look()
    assert is_there(shop, "binned")
    for days in range(3, shop.settings.bin_days + 3):
        shop.clock = lambda days=days: start + days * DAY_S
        keeper.look()
    assert not is_there(shop, "binned")


def test_after_a_long_pause_the_bin_is_emptied_a_day_later(shop: Shop) -> None:
    keeper = BinKeeper(shop)
    start = shop.clock()
    cases.put_in_bin(shop, "binned")
    keeper.look()
    for hours, there in ((0, True), (6, True), (23, True), (25, False)):
        shop.clock = lambda hours=hours: start + 100 * DAY_S + hours * HOUR_S
        keeper.look()
        assert is_there(shop, "binned") is there, hours


def test_a_clock_that_is_set_ends_no_session() -> None:
    machine = Machine()
    office = Office()
    try:
        office.shop.clock = machine.clock()
        headers = office.signed_in("work")
        for jump_s in (100 * DAY_S, -100 * DAY_S, -2 * HOUR_S):
            machine.wall += jump_s
            machine.passes(60.0)
            assert office.get("/account", headers=headers).status_code == 200
    finally:
        office.close()
