"""Families, their fixes, and readings judged against their rails."""

from typing import Annotated, Any

from fastapi import APIRouter, Header, Response
from pydantic import Field

from kb.errors import BadInput
from kb.facts.designators import code_key
from kb.model import FamilyRecord, Reading, as_dict
from kb.model.base import Record
from kb.model.fields import Words
from kb.service import Shop
from kb.service.bench import assessment
from kb.service.boards import families
from kb.web.api import shapes
from kb.web.api.cases import version_of
from kb.web.dependencies import FilterText, Limit, Offset, ShopHere
from kb.web.rendering import family_path

router = APIRouter()


class AssessBody(Record):
    """Readings of one board of a family."""

    family: Words
    readings: Annotated[list[Reading], Field(max_length=500)]


class FamilyBody(FamilyRecord):
    """A family as `GET` returns it: the version may be sent back, but `If-Match` decides."""

    version: int | None = None

    def record_only(self) -> FamilyRecord:
        return FamilyRecord.model_validate(self.model_dump(exclude={"version"}))


@router.get("/families", response_model=shapes.FamiliesOut)
def list_families(
    shop: ShopHere, q: FilterText = "", limit: Limit = families.MOST_LISTED, offset: Offset = 0
) -> dict[str, Any]:
    """Board families with their other numbers and how many cases each has, a page at a time."""
    total, found = families.listed(shop, q, limit=limit, offset=offset)
    return {
        "total": total,
        "families": [
            {"code": line.code, "kind": line.kind, "aliases": line.aliases, "cases": line.cases}
            for line in found
        ],
    }


@router.get("/families/{code}")
def get_family(shop: ShopHere, code: str, response: Response) -> shapes.StoredCaseOut:
    """A family by any number it is known by, with its version."""
    return _answer(shop, code, response)


def _answer(shop: Shop, code: str, response: Response) -> Any:
    record, version = families.get(shop, code)
    response.headers["ETag"] = f'"{version}"'
    return {**as_dict(record), "version": version}


@router.post("/families", status_code=201)
def add_family(shop: ShopHere, body: FamilyBody, response: Response) -> shapes.StoredCaseOut:
    """Adds a board family; 409 where one is known by one of its numbers."""
    families.add_new(shop, body.record_only())
    response.headers["Location"] = "/api" + family_path(body.code)
    return _answer(shop, body.code, response)


@router.put("/families/{code}")
def change_family(
    shop: ShopHere, code: str, body: FamilyBody, response: Response, if_match: str | None = Header(None)
) -> shapes.StoredCaseOut:
    """Replaces a family. `If-Match` names the version that was read; another version answers 412."""
    version = version_of(if_match)
    there, _ = families.get(shop, code)
    if code_key(body.code) != code_key(there.code):
        raise BadInput(
            "The code in the record is not the one of the family in the address.",
            field="code",
            remedy=f"Send the code {there.code}; a board has its number for good.",
        )
    families.save(shop, body.record_only(), expected_version=version)
    return _answer(shop, body.code, response)


@router.delete("/families/{code}", status_code=204)
def bin_family(shop: ShopHere, code: str, if_match: str | None = Header(None)) -> Response:
    """Puts a family in the bin; 409 while cases name it. `If-Match` names the version that was read."""
    version = version_of(if_match)
    there, _ = families.get(shop, code)
    families.put_in_bin(shop, there.code, expected_version=version)
    return Response(status_code=204)


@router.get("/families/{code}/fixes", response_model=shapes.FixesOut)
def family_fixes(shop: ShopHere, code: str, limit: Limit = 20) -> dict[str, Any]:
    """What was tried on a family, how often it cured, and whether it lasted: what cured most boards first."""
    return {
        "fixes": [
            {
                "section": line.record.section,
                "part_class": line.record.part_class,
                "parts": [{"part": part, "cases": count} for part, count in line.record.parts],
                "tried": line.record.tried,
                "cured": line.record.cured,
                "rate": line.record.rate,
                "interval": line.record.interval,
                "still_working": None
                if line.after_a_year is None
                else {
                    "days": line.after_a_year.days,
                    "share": line.after_a_year.share,
                    "interval": (line.after_a_year.low, line.after_a_year.high),
                    "followed": line.after_a_year.followed,
                },
                "cases": line.case_uids,
                "others_tried": line.record.others_tried,
                "others_cured": line.record.others_cured,
            }
            for line in families.fixes(shop, code, limit=limit)
        ]
    }


@router.post("/bench/assess", response_model=shapes.AssessOut)
def assess(shop: ShopHere, body: AssessBody) -> dict[str, Any]:
    """Judges readings against the windows of a family's rails."""
    judged, verdicts = assessment.assess_board(shop, body.family, body.readings)
    return {
        "readings": [
            {
                "rail": one.where,
                "condition": one.assessment.condition if one.assessment else None,
                "low_v": one.assessment.low_v if one.assessment else None,
                "high_v": one.assessment.high_v if one.assessment else None,
                "assumed": bool(one.assessment and one.assessment.assumed),
                "marginal": bool(one.assessment and one.assessment.marginal),
                "sentence": one.assessment.sentence if one.assessment else assessment.NOT_JUDGED,
            }
            for one in judged
        ],
        "rails": [{"rail": verdict.rail, "verdict": verdict.sentence} for verdict in verdicts],
    }
