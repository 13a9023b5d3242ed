"""One model per record of the exchange format. Unknown fields are refused by name.

Numbers are SI base units without prefix (volts, amperes, ohms, farads, hertz) but for the three
whose name says otherwise: `tolerance_pct`, `ripple_mv` and `bulk_uf`.
"""

from datetime import date as Date
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from kb.facts.designators import code_key, rail_key
from kb.model.base import LineRecord, Record, refuse, unique
from kb.model.fields import (
    PIN_FIELDS,
    Complaint,
    Day,
    Drop,
    FollowUpState,
    LoadState,
    Minutes,
    Money,
    Name,
    Notes,
    Number,
    Ohms,
    OriginId,
    OriginOrNone,
    PartKind,
    PartUnit,
    Percent,
    PinField,
    PinNumber,
    Positive,
    Quantity,
    Result,
    Role,
    Section,
    SomeText,
    Supply,
    SwitchKind,
    TipPlace,
    Uid,
    Verdict,
    Words,
    Year,
)


class Rail(Record):
    """One supply of a family: `nominal_v` volts ± `tolerance_pct`, rated `rated_a` amperes."""

    name: Name = Field(description="rail as printed")
    role: Role = Field("other", description="role of the rail")
    nominal_v: Annotated[float, Field(ge=-100_000, le=100_000, allow_inf_nan=False)] = Field(
        title="nominal", description="nominal voltage, volts"
    )
    tolerance_pct: Percent | None = Field(None, title="tolerance", description="tolerance, per cent")
    rated_a: Positive | None = Field(None, title="rated current", description="rated current, amperes")
    ripple_mv: Positive | None = Field(None, title="ripple limit", description="ripple limit, millivolts")
    always_on: bool = Field(False, description="whether it is there in standby")
    connector: Words = Field("", description="connector")
    pins: Annotated[list[PinNumber], Field(max_length=100)] = Field([], description="pins")
    ground_pins: Annotated[list[PinNumber], Field(max_length=100)] = Field([], description="ground pins")

    @model_validator(mode="after")
    def _nominal_is_not_zero(self) -> Self:
        if self.nominal_v == 0:
            raise refuse("zero", "is 0 V, which no reading can be compared with", "nominal_v")
        return self


class Connector(Record):
    """A connector of a family: `pins` counted in `rows`, so that it can be drawn."""

    name: Name = Field(description="connector as printed")
    pins: PinNumber = Field(description="number of pins")
    rows: Annotated[int, Field(ge=1, le=4)] = Field(1, description="rows they lie in")


class Enable(Record):
    """How the main converter is switched on: which pin, pulled where, through what."""

    connector: Words = Field("", description="connector of the enable pin")
    pin: PinNumber | None = Field(None, description="enable pin")
    from_rail: Words = Field("", title="from rail", description="rail that the enable pin is pulled to")
    active: Literal["high", "low"] = Field("high", description="high or low")
    resistor_ohm: Positive | None = Field(
        None, title="resistor", description="resistor to enable through, ohms"
    )


class Tip(Record):
    """What somebody learned of a family, shown where it matters: at a rail, a part, a bench step or on the board."""

    place: TipPlace = Field(
        title="Shown at", description="where it is shown: board, rail, part, point or step"
    )
    name: Words = Field("", title="Which", description="the rail, part, test point or step")
    text: SomeText = Field(title="Tip", description="what to know")
    who: Words = Field("", title="Who", description="who wrote it")
    date: Day | None = Field(None, title="When", description="day it was written")

    @model_validator(mode="after")
    def _names_its_place(self) -> Self:
        if self.place != "board" and not self.name:
            raise refuse("tip_name", "is missing: which one the tip is about", "name")
        return self


class Revision(Record):
    """A revision of a board and what differs on it."""

    name: Name = Field(title="Revision", description="revision as printed")
    differs: Complaint = Field("", title="What differs", description="what differs on it")


class UsedIn(Record):
    """A set that boards of a family are used in."""

    brand: Words = Field("", title="Brand", description="maker of the set")
    device: Name = Field(title="Set", description="set or model the board is used in")


class FamilyDocument(Record):
    """A document that belongs to a family: a file of one of its cases, which keeps it."""

    case: Uid = Field(title="Case", description="uid of the case that keeps the file")
    file: Uid = Field(title="File", description="uid of the file")
    name: Words = Field("", title="Name", description="what it is")


class PinValue(Record):
    """What one pin of a connector measures to ground on a known good board, unplugged and discharged.

    `red` is with the red probe on the pin and the black one on ground, `black` the other way round. A meter
    that shows no reading is noted as `open`: "ohm_red" and so on, by the field that has no number.
    """

    connector: Name = Field(title="Connector", description="connector as printed")
    pin: PinNumber = Field(title="Pin", description="pin")
    ohm_red: Ohms | None = Field(None, description="resistance to ground, red probe on the pin, ohms")
    ohm_black: Ohms | None = Field(None, description="resistance to ground, black probe on the pin, ohms")
    diode_v_red: Drop | None = Field(None, description="diode drop to ground, red probe on the pin, volts")
    diode_v_black: Drop | None = Field(
        None, description="diode drop to ground, black probe on the pin, volts"
    )
    open: Annotated[list[PinField], Field(max_length=4)] = Field(
        [], description="fields of these four where the meter showed no reading"
    )

    @model_validator(mode="after")
    def _measures_something(self) -> Self:
        measured = [name for name in PIN_FIELDS if getattr(self, name) is not None]
        if not measured and not self.open:
            raise refuse("no_value", "has no value", "ohm_red")
        unique(list(self.open), "open", "field")
        for name in self.open:
            if name in measured:
                raise refuse("both", "has a number and is said to be open", name)
        return self


class FamilyRecord(LineRecord):
    """One board design, whatever sets it is used in.

    `isolated` says whether its outputs are isolated from the mains; None is not known, and then the bench
    treats them as not isolated. `switch` is the kind of its main switch, "" where it is not known.
    """

    named_by: ClassVar[str] = "code"
    record: Literal["family"] = "family"
    code: Name = Field(description="number of the board family")
    kind: Words = Field("", description="what kind of board it is")
    aliases: Annotated[list[Name], Field(max_length=100)] = Field(
        [], title="Other number", description="other numbers it is known by"
    )
    mains_v: Positive | None = Field(None, title="Mains", description="mains voltage, volts")
    bulk_v: Positive | None = Field(None, title="Bulk voltage", description="bulk voltage, volts")
    bulk_uf: Positive | None = Field(
        None, title="Bulk capacitance", description="bulk capacitance, microfarads"
    )
    fuse: Words = Field("", title="Fuse", description="fuse as printed")
    isolated: bool | None = Field(
        None,
        title="Outputs isolated from the mains",
        description="whether its outputs are isolated from the mains; empty where not known",
    )
    switch: SwitchKind = Field("", title="Main switch", description="kind of its main switch")
    rails: Annotated[list[Rail], Field(max_length=60)] = []
    connectors: Annotated[list[Connector], Field(max_length=60)] = []
    enable: Enable | None = None
    tips: Annotated[list[Tip], Field(max_length=200)] = Field(
        [], description="tips, with where each is shown"
    )
    revisions: Annotated[list[Revision], Field(max_length=60)] = Field(
        [], description="revisions and what differs on each"
    )
    used_in: Annotated[list[UsedIn], Field(max_length=200)] = Field([], description="sets it is used in")
    documents: Annotated[list[FamilyDocument], Field(max_length=100)] = Field(
        [], description="documents of its cases that belong to the family"
    )
    pin_values: Annotated[list[PinValue], Field(max_length=1_000)] = Field(
        [], description="what the pins of a known good board measure to ground, unpowered"
    )
    notes: Notes = Field("", description="notes")

    @model_validator(mode="after")
    def _names_are_told_apart(self) -> Self:
        if not code_key(self.code):
            raise refuse("code", "has no letter or digit", "code")
        unique([rail_key(rail.name) for rail in self.rails], "rails", "rail")
        unique([code_key(connector.name) for connector in self.connectors], "connectors", "connector")
        unique([code_key(name) for name in (self.code, *self.aliases)], "aliases", "number")
        unique([revision.name.casefold() for revision in self.revisions], "revisions", "revision")
        pins = [f"{code_key(one.connector)} pin {one.pin}" for one in self.pin_values]
        unique(pins, "pin_values", "pin")
        unique([one.file for one in self.documents], "documents", "document")
        return self

    @property
    def key(self) -> str:
        return code_key(self.code)


class NotedSymptom(Record):
    """A symptom that was looked for: present or not present."""

    name: Name = Field(description="symptom that was looked for")
    present: bool = Field(True, description="whether it was there")


class Reading(Record):
    """A measured value of a rail or of a test point, in SI base units.

    `written` keeps what the person wrote ("4V7"); `min` and `max` are what the meter recorded.
    A reading taken `after_repair` proves the board; it is no evidence of what was wrong with it.
    """

    rail: Name | None = Field(None, description="rail measured")
    point: Name | None = Field(None, description="or the test point")
    quantity: Quantity = Field("dc_v", description="what was measured")
    supply: Supply = Field(description="state of the supply")
    load: LoadState = Field("none", description="load")
    value: Number | None = Field(
        None, description="value in the SI base unit of the quantity: V, A, Ω, F, Hz; °C for celsius"
    )
    min: Number | None = Field(None, description="least value the meter recorded, same unit")
    max: Number | None = Field(None, description="largest value the meter recorded, same unit")
    written: Words = Field("", description="as it was typed")
    after_repair: bool = Field(False, description="whether it was taken after the repair")

    @model_validator(mode="after")
    def _says_where_and_what(self) -> Self:
        if (self.rail is None) == (self.point is None):
            raise refuse("where", "needs either a rail or a test point", "rail")
        if self.value is None and self.min is None and self.max is None:
            raise refuse("no_value", "has no value", "value")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise refuse("min_max", "is above the maximum", "min")
        return self


class Attempt(Record):
    """One fix tried: which part, what was wrong with it, what was done and what came of it."""

    part: Words = Field("", title="Part", description="reference designator")
    part_class: Name = Field(title="Part class", description="kind of part")
    section: Section = Field(title="Section", description="functional block")
    failure: Words = Field("", title="What was wrong", description="what was wrong with it")
    action: Words = Field("replace", title="What was done", description="what was done")
    result: Result = Field("not known yet", title="Result", description="what came of it")
    cause: bool | None = Field(
        None,
        title="Cause or consequence",
        description="whether it was the cause and not a consequence; empty where nobody said",
    )
    cost: Money | None = Field(None, title="Parts cost", description="parts, in the shop's currency")
    minutes: Minutes | None = Field(None, title="Minutes", description="time at the bench, minutes")
    shelf_part: Words = Field("", title="From the shelf", description="part of the shelf that it took")
    shelf_count: Annotated[int, Field(ge=1, le=1_000)] | None = Field(
        None, title="Taken", description="how many it took from the shelf; 1 where it is not said"
    )


class Quote(Record):
    """What was offered to the customer: a fixed `price`, or a `ceiling` that is not gone beyond without asking."""

    date: Day = Field(title="Date of the quote", description="day it was made")
    price: Money | None = Field(None, title="Fixed price", description="fixed price, in the shop's currency")
    ceiling: Money | None = Field(
        None, title="or at most", description="or what it comes to at most, in the shop's currency"
    )
    covers: Complaint = Field("", title="What it covers", description="what the price covers")
    warranty: Words = Field("", title="Warranty", description="warranty on the repair")
    valid_until: Day | None = Field(None, title="Valid until", description="last day the offer stands")
    accepted: Day | None = Field(None, title="Accepted", description="day the customer accepted it")
    declined: Day | None = Field(None, title="Declined", description="day the customer declined it")

    @classmethod
    def kept(cls, values: dict[str, Any]) -> "Quote":
        """A quote as the store kept it, unchecked; days are kept as text."""
        days = ("date", "valid_until", "accepted", "declined")
        found = {name: Date.fromisoformat(values[name]) for name in days if values.get(name)}
        return cls.model_construct(**{**values, **found})

    @model_validator(mode="after")
    def _says_one_price_and_one_answer(self) -> Self:
        if (self.price is None) == (self.ceiling is None):
            raise refuse("one_price", "needs either a fixed price or an amount at most", "price")
        if self.accepted and self.declined:
            raise refuse("both_answers", "is noted as accepted and as declined", "declined")
        for name in ("valid_until", "accepted", "declined"):
            day = getattr(self, name)
            if day and day < self.date:
                raise refuse("before_quote", "lies before the day of the quote", name)
        return self


class FollowUp(Record):
    """News after the board left the bench."""

    date: Day = Field(title="Date", description="day of the news")
    state: FollowUpState = Field(title="State", description="what became of the board")
    note: Words = Field("", title="Note", description="note")


class CaseRecord(LineRecord):
    """One board on the bench from intake to outcome. Without a verdict the case is open.

    `worker` is who has the board in hand, `waiting_for` the parts it lies waiting for. `origin` is the id
    of the shop that recorded the case where that is another one.
    """

    named_by: ClassVar[str] = "uid"
    bytes_found_by: ClassVar[str] = "uid"
    record: Literal["case"] = "case"
    uid: Uid | None = Field(
        None, title="Number of the case", description="what tells the case from all others"
    )
    origin: OriginOrNone = Field("", description="shop that recorded it where that is another one")
    family: Name = Field(title="Board family", description="code of the board family")
    revision: Words = Field("", title="Revision", description="revision of the board")
    brand: Words = Field("", title="Brand", description="maker of the device the board came out of")
    device: Words = Field("", title="Kind of device", description="what the board came out of")
    year_made: Year | None = Field(None, title="Made in", description="year the device was made")
    serial: Words = Field("", title="Serial number", description="serial number of the board or its device")
    received: Day | None = Field(None, title="Received", description="day the board came in")
    closed: Day | None = Field(None, title="Closed", description="day the case was closed")
    verdict: Verdict | None = Field(
        None, title="Verdict", description="what came of it, empty while it is open"
    )
    complaint: Complaint = Field("", title="Complaint", description="what the customer said")
    customer: Words = Field("", title="Customer", description="customer")
    worker: Words = Field("", title="In whose hands", description="in whose hands the board is")
    waiting_for: Words = Field("", title="Waiting for parts", description="parts it waits for")
    waiting_since: Day | None = Field(None, title="Waiting since", description="since when it waits")
    symptoms: Annotated[list[NotedSymptom], Field(max_length=200)] = []
    readings: Annotated[list[Reading], Field(max_length=500)] = []
    attempts: Annotated[list[Attempt], Field(max_length=200)] = []
    follow_ups: Annotated[list[FollowUp], Field(max_length=200)] = []
    quote: Quote | None = None
    pin_values: Annotated[list[PinValue], Field(max_length=1_000)] = Field(
        [], description="what the pins of its connectors measure to ground, unpowered"
    )
    notes: Notes = Field("", title="Notes", description="notes")

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        unique([symptom.name.casefold() for symptom in self.symptoms], "symptoms", "symptom")
        if self.received and self.closed and self.closed < self.received:
            raise refuse("closed_before", "lies before the day the board was received", "closed")
        if self.closed and self.verdict is None:
            raise refuse("no_verdict", "is missing although the case has a closing date", "verdict")
        if self.waiting_since and not self.waiting_for:
            raise refuse(
                "waits_for_nothing", "has a date although the board waits for nothing", "waiting_since"
            )
        started = self.closed or self.received
        for number, follow_up in enumerate(self.follow_ups):
            if started and follow_up.date < started:
                raise refuse("too_soon", "lies before the board left", f"follow_ups.{number}.date")
        return self

    @property
    def key(self) -> str:
        return self.own_name


class OriginRecord(LineRecord):
    """A shop that cases come from: its id, the name it shares under, and the day it wrote them out.

    `sharing` marks the first line of what a shop shares: the file's families and lists are that shop's and
    fill gaps where it is read, and change nothing that is there.
    """

    named_by: ClassVar[str] = "id"
    record: Literal["origin"] = "origin"
    id: OriginId = Field(description="id of another shop")
    name: Name = Field(description="name it shares under")
    date: Day = Field(description="day of its newest export")
    sharing: bool = False


class SymptomRecord(LineRecord):
    """An entry of the symptom list with what people type for it and what finding it out takes."""

    record: Literal["symptom"] = "symptom"
    name: Name = Field(description="entry of the symptom list")
    synonyms: Annotated[list[Name], Field(max_length=100)] = Field([], description="other words for it")
    how: Literal["told", "look", "unpowered check", "powered check"] = Field(
        "told", title="How it is found out", description="what finding it out takes"
    )
    minutes: Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)] = Field(
        1.0, description="how long that takes, minutes"
    )


class PartClassRecord(LineRecord):
    """A kind of part with its other names and the designator letters it usually carries."""

    record: Literal["part_class"] = "part_class"
    name: Name = Field(description="kind of part")
    synonyms: Annotated[list[Name], Field(max_length=100)] = Field([], description="other words for it")
    letters: Annotated[list[Name], Field(max_length=20)] = Field(
        [], description="designator letters it usually carries"
    )


class LoadRecord(LineRecord):
    """One of the bench's own dummy loads; `points` are measured (volts, amperes) pairs.

    Filaments that share one lamp's base carry the same `base`; `count` is then the number of lamps.
    """

    record: Literal["load"] = "load"
    name: Name = Field(description="dummy load of the bench")
    kind: Literal["resistor", "lamp", "electronic"] = Field(description="resistor, lamp or electronic")
    points: Annotated[
        list[Annotated[list[Number], Field(min_length=2, max_length=2)]], Field(max_length=200)
    ] = Field([], description="measured pairs of volts and amperes")
    ohm: Positive | None = Field(None, title="Resistance", description="resistance, ohms")
    tolerance_pct: Percent | None = Field(None, title="tolerance", description="tolerance, per cent")
    max_w: Positive | None = Field(None, title="Power", description="largest power, watts")
    max_v: Positive | None = Field(None, title="Volts at most", description="largest voltage, volts")
    max_a: Positive | None = Field(None, title="Amperes at most", description="largest current, amperes")
    count: Annotated[int, Field(ge=1, le=1000)] = Field(1, description="how many there are")
    base: Words = Field("", title="Lamp base", description="lamp whose base it shares with another filament")

    @model_validator(mode="after")
    def _can_be_computed_with(self) -> Self:
        if self.kind == "resistor" and self.ohm is None:
            raise refuse("no_ohm", "is missing for a resistor", "ohm")
        if self.kind == "lamp" and not self.points:
            raise refuse("no_points", "are missing for a lamp", "points")
        if self.kind == "electronic" and self.max_a is None:
            raise refuse("no_max_a", "is missing for an electronic load", "max_a")
        if any(volts <= 0 or amps <= 0 for volts, amps in self.points):
            raise refuse("points", "need volts and amperes above 0", "points")
        return self


class UsedAt(Record):
    """Where a part of the shelf belongs: on which board family, at which designator."""

    family: Name = Field(description="code of the board family")
    part: Name = Field(description="reference designator")


class Instead(Record):
    """What a part of the shelf may stand in for by the shop's own decision, and the rule that allows it."""

    part: Name = Field(title="In place of", description="part that it may stand in for")
    rule: SomeText = Field(title="Because", description="rule that allows it")


class ShelfPartRecord(LineRecord):
    """A part on the shelf: what it is, what it is rated for, how many there are and where they lie.

    `value` is in the SI base unit that `unit` names. Ratings that are not known are left out: what is not
    known is no reason to take one part for another.
    """

    record: Literal["shelf_part"] = "shelf_part"
    name: Name = Field(title="Name", description="part as the shop calls it")
    part_class: Name = Field(title="Part class", description="kind of part")
    kind: PartKind = Field("", description="safety class, fuse characteristic, speed or make")
    type_number: Words = Field("", title="Type number", description="type number printed on it")
    value: Positive | None = Field(None, title="Value", description="value in the SI base unit")
    unit: PartUnit = Field("", title="Unit", description="unit of the value")
    tolerance_pct: Percent | None = Field(None, title="Tolerance", description="tolerance, per cent")
    max_v: Positive | None = Field(None, title="Rated voltage", description="rated voltage, volts")
    max_a: Positive | None = Field(None, title="Rated current", description="rated current, amperes")
    max_w: Positive | None = Field(None, title="Rated power", description="rated power, watts")
    max_c: Annotated[float, Field(gt=0, le=1_000, allow_inf_nan=False)] | None = Field(
        None, title="Temperature", description="rated temperature, °C"
    )
    esr_ohm: Positive | None = Field(
        None, title="ESR", description="equivalent series resistance at 100 kHz, ohms"
    )
    package: Words = Field("", title="Package", description="package, pitch and size")
    count: Annotated[int, Field(ge=0, le=1_000_000)] = Field(
        0, title="Count", description="how many there are"
    )
    least: Annotated[int, Field(ge=0, le=1_000_000)] | None = Field(
        None, title="Least count", description="order more below this count"
    )
    place: Words = Field("", title="Place", description="where it lies")
    price: Money | None = Field(None, title="Price", description="price of one, in the shop's currency")
    used_at: Annotated[list[UsedAt], Field(max_length=200)] = Field(
        [], title="Fits", description="board families and designators that it belongs to"
    )
    instead_of: Annotated[list[Instead], Field(max_length=100)] = Field(
        [], title="May stand in for", description="parts it may stand in for, with the rule that allows it"
    )
    notes: Notes = Field("", title="Notes", description="notes")

    @model_validator(mode="after")
    def _can_be_compared(self) -> Self:
        if (self.value is None) != (self.unit == ""):
            field, word = ("value", "number") if self.value is None else ("unit", "unit")
            raise refuse(
                "half_a_value",
                f"is missing: a value is a number and a unit, and the {word} is not there",
                field,
            )
        pairs = [f"{code_key(one.family)} {code_key(one.part)}" for one in self.used_at]
        unique(pairs, "used_at", "place")
        unique([one.part.casefold() for one in self.instead_of], "instead_of", "part")
        return self


RECORDS: tuple[type[Record], ...] = (
    CaseRecord,
    NotedSymptom,
    Reading,
    Attempt,
    FollowUp,
    FamilyRecord,
    Rail,
    Connector,
    Enable,
    SymptomRecord,
    PartClassRecord,
    LoadRecord,
    ShelfPartRecord,
    Quote,
    UsedAt,
    Instead,
    Tip,
    Revision,
    UsedIn,
    FamilyDocument,
    PinValue,
)
"""All records and their parts, those whose name for a field counts most first."""


def label_of(model: type[Record], field: str) -> str:
    """What a form or a heading calls a field of a record."""
    return model.model_fields[field].title or field.replace("_", " ").capitalize()
