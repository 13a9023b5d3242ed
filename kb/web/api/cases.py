"""Cases and search."""

from typing import Any

from fastapi import APIRouter, Header, Response

from kb.errors import BadInput, NotFound
from kb.model import CaseRecord, as_dict
from kb.service.cases import cases
from kb.service.cases.cases import StoredCase
from kb.service.find import case_search
from kb.service.find.case_search import Filters
from kb.web.api import shapes
from kb.web.dependencies import FilterText, Limit, Offset, QueryText, ShopHere, Year

router = APIRouter()


class PreconditionNeeded(BadInput):
    """A change must say which version it was made on."""

    status = 428


class CaseBody(CaseRecord):
    """A case as `GET` returns it: the version may be sent back, but `If-Match` decides."""

    version: int | None = None

    def record_only(self) -> CaseRecord:
        return CaseRecord.model_validate(self.model_dump(exclude={"version"}))


@router.get("/search", response_model=shapes.SearchOut)
def search(
    shop: ShopHere,
    q: QueryText = "",
    family: FilterText = "",
    part_class: FilterText = "",
    section: FilterText = "",
    verdict: FilterText = "",
    year: Year = None,
    limit: Limit = 20,
    offset: Offset = 0,
) -> dict[str, Any]:
    """Cases for some words, best first, with counts by family, section, part class, verdict and year.

    Where nothing is found, `nearest` offers up to four searches close to it that do find something.
    """
    filters = Filters(family, section, part_class, verdict, year)
    page = case_search.search(shop, q, filters, limit=limit, offset=offset)
    return {
        "total": page.results.total,
        "hits": [
            {
                "case": hit.case.uid,
                "family": hit.case.family,
                "score": hit.score,
                "snippet": hit.snippet.text,
                "verdict": hit.case.verdict,
                "received": hit.case.received.isoformat() if hit.case.received else None,
                "complaint": hit.case.complaint,
                "origin": hit.origin,
            }
            for hit in page.found
        ],
        "facets": {
            name: [{"value": value, "count": count} for value, count in values]
            for name, values in page.results.facets.items()
        },
        "did_you_mean": page.results.did_you_mean,
        "nearest": [
            {
                "label": one.label,
                "q": one.query,
                "filters": dict(one.filters.chosen()),
                "total": one.total,
            }
            for one in page.nearest
        ],
        "trouble": page.trouble,
    }


def _answer(stored: StoredCase, response: Response) -> dict[str, Any]:
    response.headers["ETag"] = f'"{stored.version}"'
    return {**as_dict(stored.record), "version": stored.version}


@router.post("/cases", status_code=201)
def add_case(shop: ShopHere, body: CaseBody, response: Response) -> shapes.StoredCaseOut:
    """Adds a case; without a uid it is given one."""
    stored = cases.add_new(shop, body.record_only())
    response.headers["Location"] = f"/api/cases/{stored.record.uid}"
    return _answer(stored, response)


@router.get("/cases/{uid}")
def get_case(shop: ShopHere, uid: str, response: Response) -> shapes.StoredCaseOut:
    """One case with its version."""
    return _answer(cases.stored(shop, uid), response)


@router.put("/cases/{uid}")
def change_case(
    shop: ShopHere, uid: str, body: CaseBody, response: Response, if_match: str | None = Header(None)
) -> shapes.StoredCaseOut:
    """Replaces a case. `If-Match` names the version that was read; another version answers 412."""
    if body.uid not in (None, uid):
        raise BadInput(
            "The uid in the record is not the one in the address.", field="uid", remedy="Leave it out."
        )
    version = version_of(if_match)
    record = body.record_only().model_copy(update={"uid": uid})
    return _answer(cases.save(shop, record, expected_version=version), response)


@router.delete("/cases/{uid}", status_code=204)
def bin_case(shop: ShopHere, uid: str, if_match: str | None = Header(None)) -> Response:
    """Puts a case in the bin: gone from search, suggestions and exports, but not lost."""
    if cases.stored(shop, uid).binned_at is not None:
        raise NotFound(f"Case {uid} is in the bin already.", field="uid", remedy="Nothing is left to do.")
    cases.put_in_bin(shop, uid, expected_version=version_of(if_match) if if_match else None)
    return Response(status_code=204)


def version_of(if_match: str | None) -> int:
    """The version in an If-Match header. Raises PreconditionNeeded where there is none."""
    text = (if_match or "").strip().removeprefix("W/").strip('"')
    if not text:
        raise PreconditionNeeded(
            "The request does not say which version it changes.",
            field="If-Match",
            remedy="Send the version that GET answered in an If-Match header.",
        )
    if not (text.isascii() and text.isdigit() and len(text) <= 9):
        raise BadInput(
            "The version is not a whole number.",
            field="If-Match",
            remedy="Send the version that GET answered.",
        )
    return int(text)
