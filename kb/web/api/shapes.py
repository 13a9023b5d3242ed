"""What the API returns, as models, so that its documentation shows every field."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel


class ErrorDetail(BaseModel):
    message: str
    field: str | None = None
    remedy: str | None = None
    log_id: str | None = None


class ErrorBody(BaseModel):
    """The one shape of every error."""

    error: ErrorDetail


class HitOut(BaseModel):
    case: str
    family: str
    score: float
    snippet: str
    verdict: str | None
    received: str | None
    complaint: str
    origin: str


class FacetOut(BaseModel):
    value: str
    count: int


class NearestOut(BaseModel):
    """Another search, close to one that found nothing, and how many cases it finds.

    `q` and `filters` are its words and filters as `GET /api/search` takes them.
    """

    label: str
    q: str
    filters: dict[str, str]
    total: int


class SearchOut(BaseModel):
    """`nearest` is filled when nothing was found; `trouble` says why an answer may miss something."""

    total: int
    hits: list[HitOut]
    facets: dict[str, list[FacetOut]]
    did_you_mean: str | None
    nearest: list[NearestOut] = []
    trouble: str | None = None


class PartOut(BaseModel):
    part: str
    cases: int


class WeightOut(BaseModel):
    label: str
    weight: float


class CauseOut(BaseModel):
    """`general_practice` is the share of what is said of the cause that rests on general knowledge, 0 to 1."""

    section: str
    part_class: str
    parts: list[PartOut]
    failures: list[str]
    probability: float
    tried: int
    cured: int
    cure_rate: float
    interval: tuple[float, float]
    cost: float | None
    minutes: float | None
    general_practice: float
    evidence: list[WeightOut]
    cases: list[str]
    others_cases: int
    others_tried: int
    others_cured: int
    others: list[str]


class UnderstoodOut(BaseModel):
    name: str
    present: bool
    words: str


class HeardOut(BaseModel):
    """A reading that the complaint states, in SI units; those from before a repair count in the ranking."""

    rail: str | None
    point: str | None
    quantity: str
    supply: str
    load: str
    value: float | None
    min: float | None
    max: float | None
    after_repair: bool
    words: str


class StopOut(BaseModel):
    """How many of the listed fixes to try, in their order, before a replacement costs less."""

    replacement_price: float
    tries: int
    expected_cost: float
    chance_of_cure: float


class WorthOut(BaseModel):
    """What it costs to cure such a board by the list, and whether that pays.

    `tries` fixes are tried, then the board is given up at `given_up_cost`. `mean` and `nine_in_ten` cover a board,
    cured or not, on average and in nine of ten; `mean_of_a_cure` covers it on average where only cured boards pay.
    `curve` has (what was paid, chance that the board is cured by then) after each fix. `advice` is repair, offer,
    decline or "find out more", null without a replacement price where the causes are few. Of the tries
    `parts_unknown` have no cost of parts on record and `minutes_unknown` no time.
    """

    advice: str | None
    why: str
    basis: list[str]
    hourly_rate: float
    replacement_price: float | None
    tries: int
    chance_of_cure: float
    mean: float
    nine_in_ten: float
    mean_of_a_cure: float | None
    given_up_cost: float
    with_replacement: float | None
    cured_for_less: float | None
    curve: list[tuple[float, float]]
    parts_unknown: int
    minutes_unknown: int


class WhatIfOut(BaseModel):
    """The ranking without one line of evidence; `moved` is the share of all probability that goes elsewhere."""

    line: str
    moved: float
    leading: tuple[str, str]
    leading_probability: float
    leading_changes: bool


class ExcludedOut(BaseModel):
    """A section that the readings speak for, and why."""

    section: str
    why: str


class FindingOut(BaseModel):
    """A part measured or seen to be bad, or to be in order; `section` is null where its place is not known."""

    part: str
    part_class: str
    section: str | None
    what: str
    sentence: str


class SuggestionsOut(BaseModel):
    """Probabilities of the causes and `unseen_probability`, which is that of anything not among them, sum to 1.

    `rest_probability` is the part of it that belongs to known causes which `limit` left out.

    `in_order_probability` is how likely nothing is wrong with the board at all, and stands beside the causes,
    which are ranked as if something were; `in_order_settles` says what would decide it.

    Everything counted is the shop's own; what other shops recorded is told beside it, in fields that begin
    with `others`, and each of their cases counted `others_weight` of an own one.
    """

    causes: list[CauseOut]
    rest_probability: float
    unseen_probability: float
    cases_used: int
    others_used: int
    others_weight: float
    basis: str
    evidence_strength: float
    expected_cost: float
    expected_minutes: float
    understood: list[UnderstoodOut]
    heard: list[HeardOut]
    unknown_terms: list[str]
    notices: list[str]
    first_checks: list[str]
    in_order_probability: float
    in_order_settles: list[str]
    excluded: list[ExcludedOut]
    findings: list[FindingOut]
    stop: StopOut | None
    worth: WorthOut | None = None
    what_if: list[WhatIfOut]


class OutcomeOut(BaseModel):
    label: str
    probability: float
    leading: tuple[str, str] | None
    leading_probability: float


class MeasurementOut(BaseModel):
    reading: str
    bits: float
    minutes: float
    powered: bool
    why: str
    outcomes: list[OutcomeOut]


class MeasurementsOut(BaseModel):
    measurements: list[MeasurementOut]


class FamilyLineOut(BaseModel):
    code: str
    kind: str
    aliases: list[str]
    cases: int


class FamiliesOut(BaseModel):
    total: int
    families: list[FamilyLineOut]


class StillWorkingOut(BaseModel):
    days: float
    share: float
    interval: tuple[float, float]
    followed: int


class FixOut(BaseModel):
    section: str
    part_class: str
    parts: list[PartOut]
    tried: int
    cured: int
    rate: float | None
    interval: tuple[float, float]
    still_working: StillWorkingOut | None
    cases: list[str]
    others_tried: int
    others_cured: int


class FixesOut(BaseModel):
    fixes: list[FixOut]


class AssessedReadingOut(BaseModel):
    rail: str
    condition: str | None
    low_v: float | None
    high_v: float | None
    assumed: bool
    marginal: bool
    sentence: str


class RailVerdictOut(BaseModel):
    rail: str
    verdict: str


class AssessOut(BaseModel):
    readings: list[AssessedReadingOut]
    rails: list[RailVerdictOut]


class LineProblemOut(BaseModel):
    line: int
    field: str | None
    message: str
    remedy: str | None


class ImportOut(BaseModel):
    """`saved` is false when a line was refused and nothing was kept; `stopped` when reading ended at the most
    problems that are told. `conflicts` are records of which the file holds an earlier version than the store, or
    that lie in the bin: they were left as they are, `conflicting` of them.

    Of a file that another shop shares, `origin` is that shop's name, `ours` counts cases of this shop that
    came back and were left alone, `differences` says where both shops describe a family differently.
    """

    saved: bool
    added: int
    updated: int
    unchanged: int
    refused: int
    stopped: bool
    conflicting: int
    conflicts: list[str]
    created: list[str]
    origin: str
    ours: int
    differences: list[str]
    problems: list[LineProblemOut]


class HealthOut(BaseModel):
    ok: bool
    cases: int
    store: int
    index: int
    counts: int
    trouble: str | None
    index_rebuilt: str | None
    index_trouble: str | None
    backup_trouble: str | None
    files_trouble: str | None


StoredCaseOut = dict[str, Any]


class FileOut(BaseModel):
    """A file of a case. `sha256` is that of the stored bytes, which `content` returns; marks as they were sent."""

    file: str
    case: str
    sha256: str
    media_type: str
    size_bytes: int
    width_px: int | None
    height_px: int | None
    original_name: str
    caption: str
    marks: list[dict[str, Any]]
    added_at: str
    added_by: str
    version: int
    content: str


class FilesOut(BaseModel):
    files: list[FileOut]


class RefusedFileOut(BaseModel):
    name: str
    message: str
    remedy: str


class FilesSentOut(BaseModel):
    """What was kept and what was refused, each by itself."""

    files: list[FileOut]
    refused: list[RefusedFileOut]


class BinOut(BaseModel):
    """Cases in which the leading cause was given a probability from `low` to `high`."""

    low: float
    high: float
    cases: int
    said: float
    came_true: float


class ScoresOut(BaseModel):
    """`log_loss` in nats, `brier` as the sum over all causes (0 to 2); both with the row for a new fault."""

    cases: int
    first: int
    first_share: float
    first_three: int
    first_three_share: float
    log_loss: float
    brier: float
    calibration_error: float
    bins: list[BinOut]
    new_faults: int
    new_expected: float


class ComparedOut(BaseModel):
    name: str
    ranking: ScoresOut
    baseline: ScoresOut


class TrackRecordOut(BaseModel):
    sentence: str
    cases: int
    scored: int
    evidence_strength: float
    others: int
    others_weight: float
    others_sentence: str
    overall: ComparedOut
    families: list[ComparedOut]
    periods: list[ComparedOut]
