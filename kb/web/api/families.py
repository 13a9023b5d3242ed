"""Families, their fixes, and readings judged against their rails."""

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field

from kb.model import Reading, as_dict
from kb.model.fields import Words
from kb.model.records import Record
from kb.service import assessing, families
from kb.web.api import shapes
from kb.web.dependencies import FilterText, ShopHere

router = APIRouter()


class AssessBody(Record):
    """Readings of one board of a family."""

    family: Words
    readings: Annotated[list[Reading], Field(max_length=500)]


@router.get("/families", response_model=shapes.FamiliesOut)
def list_families(shop: ShopHere, q: FilterText = "") -> dict[str, Any]:
    """Board families with their other numbers and how many cases each has."""
    return {
        "families": [
            {"code": line.code, "kind": line.kind, "aliases": line.aliases, "cases": line.cases}
            for line in families.listed(shop, q)
        ]
    }


@router.get("/families/{code}")
def get_family(shop: ShopHere, code: str) -> shapes.StoredCaseOut:
    """A family by any number it is known by."""
    record, version = families.get(shop, code)
    return {**as_dict(record), "version": version}


@router.get("/families/{code}/fixes", response_model=shapes.FixesOut)
def family_fixes(shop: ShopHere, code: str) -> dict[str, Any]:
    """What was tried on a family, how often it cured, and whether it lasted."""
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
            for line in families.fixes(shop, code)
        ]
    }


@router.post("/bench/assess", response_model=shapes.AssessOut)
def assess(shop: ShopHere, body: AssessBody) -> dict[str, Any]:
    """Judges readings against the windows of a family's rails."""
    judged, verdicts = assessing.assess_board(shop, body.family, body.readings)
    return {
        "readings": [
            {
                "rail": one.where,
                "condition": one.assessment.condition if one.assessment else None,
                "low_v": one.assessment.low_v if one.assessment else None,
                "high_v": one.assessment.high_v if one.assessment else None,
                "assumed": bool(one.assessment and one.assessment.assumed),
                "marginal": bool(one.assessment and one.assessment.marginal),
                "sentence": one.assessment.sentence if one.assessment else assessing.NOT_JUDGED,
            }
            for one in judged
        ],
        "rails": [{"rail": verdict.rail, "verdict": verdict.sentence} for verdict in verdicts],
    }
