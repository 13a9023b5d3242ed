"""A case's board beside the good boards of its family."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kb.model import FamilyRecord, Reading
from kb.service.boards import good_boards
from kb.service.boards.good_boards import BesideLine, Learned, pin_readings
from kb.service.boards.pin_tables import OpenPin, open_pins
from kb.service.cases import cases
from kb.service.cases.cases import CaseView
from kb.service.shop.cut_off.retry import retry_when_cut_off
from kb.service.shop.cut_off.small_tables import is_copy
from kb.service.shop.shop import Shop
from kb.store.records import families


@dataclass(frozen=True, slots=True)
class BesideView:
    """`boards` good boards, this one left out, and the readings of the case: what is off most first.

    `unmeasured` readings have no value, only a least or largest one; at `open_pins` only one of this board and the
    known good one showed a reading.
    """

    case: CaseView
    boards: int
    lines: tuple[BesideLine, ...]
    unmeasured: int
    open_pins: tuple[OpenPin, ...] = ()

    @property
    def judged(self) -> int:
        return sum(line.found.off is not None for line in self.lines)

    @property
    def unlike(self) -> int:
        return sum(line.found.unlike for line in self.lines)


@retry_when_cut_off
def learned(
    shop: Shop, family: FamilyRecord | None, readings: Sequence[Reading], uid: str = ""
) -> list[Learned | None]:
    """For each reading what enough good boards of the family say of it; `uid` names the case it belongs to.

    Nothing where the family is not known, and while the store cannot be read.
    """
    if family is None or shop.store.away is not None or not any(one.value is not None for one in readings):
        return [None] * len(readings)
    with shop.known() as session:
        found = families.find(session, family.code)
        if found is None or is_copy(session):
            return [None] * len(readings)
        good = good_boards.known(shop, session, found[0], families.by_ids(session, [found[0]])[0].record)
    return good_boards.learned_of(good, family, uid, readings)


def view(shop: Shop, uid: str) -> BesideView:
    """One case beside the good boards. Raises NotFound."""
    case = cases.view(shop, uid)
    family, good = good_boards.of_family(shop, case.family.code)
    readings = [*case.record.readings, *(one for pin in case.record.pin_values for one in pin_readings(pin))]
    return BesideView(
        case,
        good.boards - (uid in good.board_of),
        good_boards.beside_good(good, family, uid, readings),
        sum(reading.value is None for reading in readings),
        tuple(open_pins(family, case.record.pin_values)),
    )
