"""One model per record of the exchange format. Unknown fields are refused by name.

Numbers are SI base units without prefix (volts, amperes, ohms, farads, hertz) but for the three
whose name says otherwise: `tolerance_pct`, `ripple_mv` and `bulk_uf`.
"""

from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from kb.facts.designators import code_key, rail_key
from kb.model.fields import (
    Complaint,
    Day,
    FollowUpState,
    LoadState,
    Minutes,
    Money,
    Name,
    Notes,
    Number,
    OriginId,
    OriginOrNone,
    Percent,
    PinNumber,
    Positive,
    Quantity,
    Result,
    Role,
    Section,
    Supply,
    SwitchKind,
    Uid,
    Verdict,
    Words,
)


class Record(BaseModel):
    """Base of all records: strict types, no unknown fields, immutable once made."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _refuse(kind: str, message: str, field: str) -> PydanticCustomError:
    return PydanticCustomError(kind, message, {"field": field})


def _unique(values: list[str], field: str, what: str) -> None:
    if len(set(values)) != len(values):
        twice = next(value for value in values if values.count(value) > 1)
        raise _refuse("twice", f"names the {what} {twice} twice", field)


class Rail(Record):
    """One supply of a family: `nominal_v` volts ± `tolerance_pct`, rated `rated_a` amperes."""

    name: Name
    role: Role = "other"
    nominal_v: Annotated[float, Field(ge=-100_000, le=100_000, allow_inf_nan=False)]
    tolerance_pct: Percent | None = None
    rated_a: Positive | None = None
    ripple_mv: Positive | None = None
    always_on: bool = False
    connector: Words = ""
    pins: Annotated[list[PinNumber], Field(max_length=100)] = []
    ground_pins: Annotated[list[PinNumber], Field(max_length=100)] = []

    @model_validator(mode="after")
    def _nominal_is_not_zero(self) -> Self:
        if self.nominal_v == 0:
            raise _refuse("zero", "is 0 V, which no reading can be compared with", "nominal_v")
        return self


class Connector(Record):
    """A connector of a family: `pins` counted in `rows`, so that it can be drawn."""

    name: Name
    pins: PinNumber
    rows: Annotated[int, Field(ge=1, le=4)] = 1


class Enable(Record):
    """How the main converter is switched on: which pin, pulled where, through what."""

    connector: Words = ""
    pin: PinNumber | None = None
    from_rail: Words = ""
    active: Literal["high", "low"] = "high"
    resistor_ohm: Positive | None = None


class FamilyRecord(Record):
    """One board design, whatever sets it is used in.

    `isolated` says whether its outputs are isolated from the mains; None is not known, and then the bench
    treats them as not isolated. `switch` is the kind of its main switch, "" where it is not known.
    """

    record: Literal["family"] = "family"
    code: Name
    kind: Words = ""
    aliases: Annotated[list[Name], Field(max_length=100)] = []
    mains_v: Positive | None = None
    bulk_v: Positive | None = None
    bulk_uf: Positive | None = None
    fuse: Words = ""
    isolated: bool | None = None
    switch: SwitchKind = ""
    rails: Annotated[list[Rail], Field(max_length=60)] = []
    connectors: Annotated[list[Connector], Field(max_length=60)] = []
    enable: Enable | None = None
    notes: Notes = ""

    @model_validator(mode="after")
    def _names_are_told_apart(self) -> Self:
        if not code_key(self.code):
            raise _refuse("code", "has no letter or digit", "code")
        _unique([rail_key(rail.name) for rail in self.rails], "rails", "rail")
        _unique([code_key(connector.name) for connector in self.connectors], "connectors", "connector")
        _unique([code_key(name) for name in (self.code, *self.aliases)], "aliases", "number")
        return self


class NotedSymptom(Record):
    """A symptom that was looked for: present or not present."""

    name: Name
    present: bool = True


class Reading(Record):
    """A measured value of a rail or of a test point, in SI base units.

    `written` keeps what the person wrote ("4V7"); `min` and `max` are what the meter recorded.
    A reading taken `after_repair` proves the board; it is no evidence of what was wrong with it.
    """

    rail: Name | None = None
    point: Name | None = None
    quantity: Quantity = "dc_v"
    supply: Supply
    load: LoadState = "none"
    value: Number | None = None
    min: Number | None = None
    max: Number | None = None
    written: Words = ""
    after_repair: bool = False

    @model_validator(mode="after")
    def _says_where_and_what(self) -> Self:
        if (self.rail is None) == (self.point is None):
            raise _refuse("where", "needs either a rail or a test point", "rail")
        if self.value is None and self.min is None and self.max is None:
            raise _refuse("no_value", "has no value", "value")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise _refuse("min_max", "is above the maximum", "min")
        return self


class Attempt(Record):
    """One fix tried: which part, what was wrong with it, what was done and what came of it."""

    part: Words = ""
    part_class: Name
    section: Section
    failure: Words = ""
    action: Words = "replace"
    result: Result = "not known yet"
    cost: Money | None = None
    minutes: Minutes | None = None


class FollowUp(Record):
    """News after the board left the bench."""

    date: Day
    state: FollowUpState
    note: Words = ""


class CaseRecord(Record):
    """One board on the bench from intake to outcome. Without a verdict the case is open.

    `worker` is who has the board in hand, `waiting_for` the parts it lies waiting for. `origin` is the id
    of the shop that recorded the case where that is another one.
    """

    record: Literal["case"] = "case"
    uid: Uid | None = None
    origin: OriginOrNone = ""
    family: Name
    revision: Words = ""
    received: Day | None = None
    closed: Day | None = None
    verdict: Verdict | None = None
    complaint: Complaint = ""
    customer: Words = ""
    worker: Words = ""
    waiting_for: Words = ""
    waiting_since: Day | None = None
    symptoms: Annotated[list[NotedSymptom], Field(max_length=200)] = []
    readings: Annotated[list[Reading], Field(max_length=500)] = []
    attempts: Annotated[list[Attempt], Field(max_length=200)] = []
    follow_ups: Annotated[list[FollowUp], Field(max_length=200)] = []
    notes: Notes = ""

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        _unique([symptom.name.casefold() for symptom in self.symptoms], "symptoms", "symptom")
        if self.received and self.closed and self.closed < self.received:
            raise _refuse("closed_before", "lies before the day the board was received", "closed")
        if self.closed and self.verdict is None:
            raise _refuse("no_verdict", "is missing although the case has a closing date", "verdict")
        if self.waiting_since and not self.waiting_for:
            raise _refuse(
                "waits_for_nothing", "has a date although the board waits for nothing", "waiting_since"
            )
        started = self.closed or self.received
        for number, follow_up in enumerate(self.follow_ups):
            if started and follow_up.date < started:
                raise _refuse("too_soon", "lies before the board left", f"follow_ups.{number}.date")
        return self


class OriginRecord(Record):
    """A shop that cases come from: its id, the name it shares under, and the day it wrote them out.

    `sharing` marks the first line of what a shop shares: the file's families and lists are that shop's and
    fill gaps where it is read, and change nothing that is there.
    """

    record: Literal["origin"] = "origin"
    id: OriginId
    name: Name
    date: Day
    sharing: bool = False


class SymptomRecord(Record):
    """An entry of the symptom list with what people type for it and what finding it out takes."""

    record: Literal["symptom"] = "symptom"
    name: Name
    synonyms: Annotated[list[Name], Field(max_length=100)] = []
    how: Literal["told", "look", "unpowered check", "powered check"] = "told"
    minutes: Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)] = 1.0


class PartClassRecord(Record):
    """A kind of part with its other names and the designator letters it usually carries."""

    record: Literal["part_class"] = "part_class"
    name: Name
    synonyms: Annotated[list[Name], Field(max_length=100)] = []
    letters: Annotated[list[Name], Field(max_length=20)] = []


class LoadRecord(Record):
    """One of the bench's own dummy loads; `points` are measured (volts, amperes) pairs.

    Filaments that share one lamp's base carry the same `base`; `count` is then the number of lamps.
    """

    record: Literal["load"] = "load"
    name: Name
    kind: Literal["resistor", "lamp", "electronic"]
    points: Annotated[
        list[Annotated[list[Number], Field(min_length=2, max_length=2)]], Field(max_length=200)
    ] = []
    ohm: Positive | None = None
    tolerance_pct: Percent | None = None
    max_w: Positive | None = None
    max_v: Positive | None = None
    max_a: Positive | None = None
    count: Annotated[int, Field(ge=1, le=1000)] = 1
    base: Words = ""

    @model_validator(mode="after")
    def _can_be_computed_with(self) -> Self:
        if self.kind == "resistor" and self.ohm is None:
            raise _refuse("no_ohm", "is missing for a resistor", "ohm")
        if self.kind == "lamp" and not self.points:
            raise _refuse("no_points", "are missing for a lamp", "points")
        if self.kind == "electronic" and self.max_a is None:
            raise _refuse("no_max_a", "is missing for an electronic load", "max_a")
        if any(volts <= 0 or amps <= 0 for volts, amps in self.points):
            raise _refuse("points", "need volts and amperes above 0", "points")
        return self


# Truth values that go without saying.
_UNSAID = {"present": True, "after_repair": False, "always_on": False, "sharing": False}


def _pruned(value: Any) -> Any:
    if isinstance(value, dict):
        kept = {key: _pruned(entry) for key, entry in value.items()}
        return {
            key: entry
            for key, entry in kept.items()
            if not (entry is None or entry == "" or entry == [] or _UNSAID.get(key) is entry)
        }
    if isinstance(value, list):
        return [_pruned(entry) for entry in value]
    return value


def as_dict(record: Record) -> dict[str, Any]:
    """A record as the exchange format writes it: fields in their order, empty ones left out."""
    return _pruned(record.model_dump(mode="json"))
