"""The bin: what lies there and for how long, taking it out, and deleting it for good."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from kb.errors import KbError, StoreAway
from kb.service.cases import files
from kb.service.shop.periodic import NowAndThen
from kb.service.shop.shop import Shop
from kb.store.records import batches, bins, cases, changes, clock, kinds, purge
from kb.store.records.files import forget_unreferred
from kb.store.records.purge import Binned

log = logging.getLogger(__name__)
_AT_ONCE = 200
_CHUNK = 400


@dataclass(frozen=True, slots=True)
class Line:
    """A record in the bin, who put it there, and how many days it stays."""

    record: Binned
    who: str
    days_left: int


def listed(shop: Shop, *, limit: int, offset: int) -> tuple[int, list[Line]]:
    """(how many records lie in the bin, one page of them), what was put there last first."""
    now = datetime.fromtimestamp(shop.clock(), UTC)
    with shop.read() as session:
        total, found = purge.page(session, limit=limit, offset=offset)
        who = {
            (entity, key): by
            for entity in {one.entity for one in found}
            for key, (by, _) in batches.latest_of(
                session, entity, [one.name for one in found if one.entity == entity]
            ).items()
        }
    lines = []
    for one in found:
        age = now - _utc(one.binned_at)
        left = max(0, shop.settings.bin_days - age.days)
        lines.append(Line(one, who.get((one.entity, one.name), ""), left))
    return total, lines


def _utc(moment: datetime) -> datetime:
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment


def put(shop: Shop, entity: str, name: str, *, expected_version: int | None = None) -> None:
    """Puts one record in the bin. Raises NotFound, Conflict, and InUse while cases in use name it."""
    with shop.write() as session:
        bins.put(session, entity, name, expected_version=expected_version)
    shop.refresh()


def put_family_with_cases(shop: Shop, code: str, *, expected_version: int | None = None) -> int:
    """Puts a family and all its cases in the bin as one batch of kind "bin"; returns how many cases.

    Raises NotFound, Conflict.
    """
    with shop.write() as session:
        there = kinds.standing_of(session, "family", code)
        bins.refuse_stale("family", there, expected_version)
        changes.begin_batch(session, "bin", there.name)
        uids, count = cases.uids_of_family(session, there.name), 0
        for start in range(0, len(uids), _CHUNK):
            count += bins.put_cases(session, uids[start : start + _CHUNK])
        bins.put(session, "family", there.name)
        changes.end_batch(session, {"cases": count})
    shop.refresh()
    return count


def take_out(shop: Shop, entity: str, name: str) -> list[str]:
    """Takes a record out of the bin; returns what else came back because it names it. Raises NotFound."""
    with shop.write() as session:
        kinds.standing_of(session, entity, name)
        brought = bins.take_out(session, entity, [name])
    shop.refresh()
    return brought


def delete_for_good(shop: Shop, entity: str, name: str) -> None:
    """Deletes a record in the bin with its history; nothing brings it back but a backup.

    Raises what `kb.store.records.purge.purge` raises.
    """
    with shop.write() as session:
        purge.purge(session, entity, name)
        forget_unreferred(session)
    _after_deleting(shop)


def empty(shop: Shop, stopped: Callable[[], bool] = lambda: False) -> int:
    """Deletes for good what has lain in the bin for `KB_BIN_DAYS`; returns how many records went.

    Where `stopped` says so it ends between two transactions; the rest goes the next time.
    """
    limit = datetime.fromtimestamp(shop.clock(), UTC) - timedelta(days=shop.settings.bin_days)
    gone = 0
    while not stopped():
        with shop.write() as session:
            found = purge.binned_before(session, limit, limit=_AT_ONCE)
            for entity, name in found:
                purge.purge(session, entity, name)
            forget_unreferred(session)
        gone += len(found)
        if len(found) < _AT_ONCE and not _more(shop, limit):
            break
    if gone:
        _after_deleting(shop)
    return gone


def clock_is_plausible(shop: Shop) -> bool:
    """Whether the machine's clock has gone on without a jump for a day, as what deletes for good must ask."""
    with shop.write() as session:
        return clock.is_plausible(session, shop.clock())


def _more(shop: Shop, limit: datetime) -> bool:
    """Whether something can go by now that cases held back a moment ago."""
    with shop.read() as session:
        return bool(purge.binned_before(session, limit, limit=1))


def _after_deleting(shop: Shop) -> None:
    files.sweep(shop)
    shop.store.forget_deleted()
    shop.refresh()


class BinKeeper(NowAndThen):
    """Empties the bin at the start of the server and some times a day."""

    name = "bin"
    first_look_s, between_looks_s = 30.0, 6 * 3600.0

    def look(self) -> None:
        """Empties the bin; trouble goes to the log and is tried again."""
        try:
            if not clock_is_plausible(self._shop):
                log.warning("the clock has jumped or nobody was here for days: nothing is deleted for a day")
                return
            gone = empty(self._shop, self.ending.is_set)
            if gone:
                log.info("%s records were deleted for good after their time in the bin", gone)
        except StoreAway:
            log.info("the bin is emptied when the database is back")
        except KbError as error:
            log.error("the bin could not be emptied: %s", error.message)
        except Exception:
            log.exception("the bin could not be emptied")
