"""Field types of the records: strict, bounded, and each able to say what it wants.

Strict because a record is kept for years: `"4.7"` for a number, `1` for a date or `"yes"` for a
truth value is refused rather than guessed at.
"""

import re
import unicodedata
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias, get_args

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer, WithJsonSchema
from pydantic_core import PydanticCustomError

from kb.facts import vocabulary as words

# Everything in Unicode's control class but tab and line feed: it cannot be typed on purpose, it hides
# text on screen, and a NUL is refused by some databases.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ufeff\ud800-\udfff]")
_ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_UID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,63}")
EARLIEST = date(1970, 1, 1)


def _text(value: str) -> str:
    value = value.replace("\r\n", "\n").replace("\r", "\n")
    if _CONTROL.search(value):
        raise PydanticCustomError("control", "contains control characters")
    return unicodedata.normalize("NFC", value).strip()


def _line(value: str) -> str:
    value = _text(value)
    if "\n" in value or "\t" in value:
        raise PydanticCustomError("one_line", "must be a single line")
    return value


def _filled(value: str) -> str:
    value = _line(value)
    if not value:
        raise PydanticCustomError("empty", "is empty")
    return value


def _some_text(value: str) -> str:
    value = _text(value)
    if not value:
        raise PydanticCustomError("empty", "is empty")
    return value


def _uid(value: str) -> str:
    if not _UID.fullmatch(value):
        raise PydanticCustomError("uid", "is not a usable identifier")
    return value


def _iso_date(value: Any) -> date:
    if isinstance(value, date):
        return value
    if not isinstance(value, str) or not _ISO_DATE.fullmatch(value):
        raise PydanticCustomError("iso_date", "is not a date written as year-month-day")
    try:
        found = date.fromisoformat(value)
    except ValueError:
        raise PydanticCustomError("iso_date", "is not a day of the calendar") from None
    if found < EARLIEST:
        raise PydanticCustomError("too_early", "lies before 1970")
    return found


def _two_decimals(value: float) -> float:
    cents = round(value * 100)
    if abs(value * 100 - cents) > 1e-6:
        raise PydanticCustomError("cents", "has more than two decimals")
    return cents / 100


def _one_of(entries: tuple[words.Word, ...]) -> Any:
    allowed = words.values(entries)

    def check(value: str) -> str:
        if value not in allowed:
            raise PydanticCustomError("not_in_list", "is not in the list", {"allowed": list(allowed)})
        return value

    return Annotated[str, AfterValidator(check), WithJsonSchema({"type": "string", "enum": list(allowed)})]


Uid = Annotated[
    str, Field(max_length=64, json_schema_extra={"pattern": f"^{_UID.pattern}$"}), AfterValidator(_uid)
]
OriginId = Annotated[str, Field(pattern="^[0-9a-f]{32}$", max_length=32)]
OriginOrNone = Annotated[str, Field(pattern="^([0-9a-f]{32})?$", max_length=32)]
Name = Annotated[str, Field(max_length=80, json_schema_extra={"minLength": 1}), AfterValidator(_filled)]
Label = Annotated[str, Field(max_length=60), AfterValidator(_line)]
Words = Annotated[str, Field(max_length=200), AfterValidator(_line)]
Complaint = Annotated[str, Field(max_length=2_000), AfterValidator(_text)]
SomeText = Annotated[
    str, Field(max_length=2_000, json_schema_extra={"minLength": 1}), AfterValidator(_some_text)
]
Notes = Annotated[str, Field(max_length=20_000), AfterValidator(_text)]
Day = Annotated[
    date,
    BeforeValidator(_iso_date),
    PlainSerializer(lambda day: day.isoformat(), return_type=str, when_used="always"),
    WithJsonSchema({"type": "string", "format": "date"}),
]
Number = Annotated[float, Field(ge=-1e9, le=1e9, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, le=1e9, allow_inf_nan=False)]
Percent = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]
Money = Annotated[float, Field(ge=0, le=10_000_000, allow_inf_nan=False), AfterValidator(_two_decimals)]
Minutes = Annotated[int, Field(ge=0, le=100_000)]
Year = Annotated[int, Field(ge=1900, le=2200)]
PinNumber = Annotated[int, Field(ge=1, le=500)]
Ohms = Annotated[float, Field(ge=0, le=1e12, allow_inf_nan=False)]
Drop = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
PinField = Literal["ohm_red", "ohm_black", "diode_v_red", "diode_v_black"]
PIN_FIELDS: tuple[PinField, ...] = get_args(PinField)
PartUnit = Literal["", "ohm", "F", "H", "V", "A", "Hz", "W"]
TipPlace = Literal["board", "rail", "part", "point", "step"]

if TYPE_CHECKING:
    Role: TypeAlias = str
    Supply: TypeAlias = str
    LoadState: TypeAlias = str
    Result: TypeAlias = str
    Verdict: TypeAlias = str
    FollowUpState: TypeAlias = str
    Section: TypeAlias = str
    Quantity: TypeAlias = str
    SwitchKind: TypeAlias = str
    PartKind: TypeAlias = str
    Side: TypeAlias = str
else:
    Role = _one_of(words.RAIL_ROLES)
    Supply = _one_of(words.SUPPLY_STATES)
    LoadState = _one_of(words.LOADS)
    Result = _one_of(words.RESULTS)
    Verdict = _one_of(words.VERDICTS)
    FollowUpState = _one_of(words.FOLLOW_UP_STATES)
    Section = _one_of(words.SECTIONS)
    Quantity = _one_of(words.QUANTITIES)
    Side = _one_of(words.BOARD_SIDES)
    SwitchKind = _one_of((words.Word("", "not known"), *words.SWITCH_KINDS))
    PartKind = _one_of((words.Word("", "not known"), *words.PART_KINDS))
