"""A case's board beside the good boards of its family."""

from __future__ import annotations

from dataclasses import dataclass

from kb.service.boards import good_boards
from kb.service.boards.good_boards import BesideLine
from kb.service.cases import cases
from kb.service.cases.cases import CaseView
from kb.service.shop.shop import Shop


@dataclass(frozen=True, slots=True)
class BesideView:
    """`boards` good boards, this one left out, and the readings of the case: what is off most first.

    `unmeasured` readings have no value, only a least or largest one.
    """

    case: CaseView
    boards: int
    lines: tuple[BesideLine, ...]
    unmeasured: int

    @property
    def judged(self) -> int:
        return sum(line.found.off is not None for line in self.lines)

    @property
    def unlike(self) -> int:
        return sum(line.found.unlike for line in self.lines)


def view(shop: Shop, uid: str) -> BesideView:
    """One case beside the good boards. Raises NotFound."""
    case = cases.view(shop, uid)
    family, good = good_boards.of_family(shop, case.family.code)
    readings = case.record.readings
    return BesideView(
        case,
        good.boards - (uid in good.board_of),
        good_boards.beside_good(good, family, uid, readings),
        sum(reading.value is None for reading in readings),
    )
