"""What good boards of a family measure, a case's board beside them, and the kit of parts for its repairs."""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel

from kb.service.boards import good_boards, kits
from kb.service.boards.good_boards import Normal, Place
from kb.service.diagnose import good_board_comparison
from kb.web.dependencies import FilterText, ShopHere

router = APIRouter()


class NormalOut(BaseModel):
    """What `boards` good boards measure, in the SI base unit of the quantity.

    19 of 20 further good boards are expected from `low` to `high`, null where fewer than two boards, or no spread,
    are known; `judges` where there are boards enough to judge another by.
    """

    boards: int
    normal: float
    spread: float
    low: float | None
    high: float | None
    judges: bool


class PlaceOut(BaseModel):
    """`where` is a rail or test point as people write it."""

    where: str
    quantity: str
    supply: str
    load: str


class GoodPlaceOut(PlaceOut, NormalOut):
    """One place with what good boards measure there."""


class GoodBoardsOut(BaseModel):
    """`boards` good boards, `others` of them other shops', and every place they were measured at."""

    boards: int
    others: int
    places: list[GoodPlaceOut]


class BesideReadingOut(PlaceOut):
    """A reading; `off` in spreads from the normal value, null where that does not judge."""

    value: float
    after_repair: bool
    off: float | None
    unlike: bool
    normal: NormalOut | None


class BesideOut(BaseModel):
    """A board's readings beside the `boards` good ones, what is off most first."""

    boards: int
    readings: list[BesideReadingOut]


def _normal(normal: Normal) -> dict[str, Any]:
    return {
        "boards": normal.boards,
        "normal": normal.location,
        "spread": normal.spread,
        "low": normal.low,
        "high": normal.high,
        "judges": normal.judges,
    }


def _place(name: str, place: Place) -> dict[str, Any]:
    return {"where": name, "quantity": place.quantity, "supply": place.supply, "load": place.load}


@router.get("/families/{code}/good-boards", response_model=GoodBoardsOut)
def of_family(shop: ShopHere, code: str) -> dict[str, Any]:
    """What boards of a family measured that had no fault or measured well after the repair.

    A board counts once, however many readings it gave; one that was off hardly counts.
    """
    _, good = good_boards.of_family(shop, code)
    return {
        "boards": good.boards,
        "others": good.others,
        "places": [{**_place(line.name, line.normal.place), **_normal(line.normal)} for line in good.lines],
    }


@router.get("/cases/{uid}/beside", response_model=BesideOut)
def of_case(shop: ShopHere, uid: str) -> dict[str, Any]:
    """The readings of a case beside those of good boards, the board itself left out."""
    found = good_board_comparison.view(shop, uid)
    return {
        "boards": found.boards,
        "readings": [
            {
                **_place(line.name, line.found.place),
                "value": line.found.value,
                "after_repair": line.reading.after_repair,
                "off": line.found.off,
                "unlike": line.found.unlike,
                "normal": _normal(line.found.normal) if line.found.normal else None,
            }
            for line in found.lines
        ],
    }


class KitPartOut(BaseModel):
    """One part: `part` is its designator, empty where none was noted. `adds` repairs are covered with it and were
    not before, `covered` with all so far."""

    family: str
    part: str
    part_class: str
    section: str
    needed: int
    adds: int
    covered: int
    in_kit: bool


class KitOut(BaseModel):
    """The first `size` parts cover `covered` of `repairs` since `first`; `without_part` more took none."""

    first: str
    size: int
    repairs: int
    covered: int
    without_part: int
    smallest: bool
    parts: list[KitPartOut]


@router.get("/kit", response_model=KitOut)
def kit_of(
    shop: ShopHere,
    family: FilterText = "",
    kind: FilterText = "",
    years: Annotated[int, Query(ge=1, le=20)] = 3,
) -> dict[str, Any]:
    """The fewest parts that would have covered four in five repairs of a family or kind, and what others add."""
    view = kits.of(shop, family=family, kind=kind, years=years)
    names = KitPartOut.model_fields
    return {
        "first": view.first.isoformat(),
        **{name: getattr(view, name) for name in ("size", "repairs", "covered", "without_part", "smallest")},
        "parts": [{name: getattr(line, name) for name in names} for line in view.lines],
    }
