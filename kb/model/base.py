"""What all records have in common."""

from collections import Counter
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict, model_validator
from pydantic_core import PydanticCustomError

_MOST_UNKNOWN = 20


class Record(BaseModel):
    """Base of all records: strict types, no unknown fields, immutable once made."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    @model_validator(mode="before")
    @classmethod
    def _few_fields(cls, data: Any) -> Any:
        """Refuses at once what would have each of ten thousand made-up fields named in a list of problems."""
        if isinstance(data, dict) and len(data) > len(cls.model_fields) + _MOST_UNKNOWN:
            raise PydanticCustomError("too_many_fields", "has {count} fields", {"count": f"{len(data):,}"})
        return data


class LineRecord(Record):
    """A record with a line of its own in the exchange format; `named_by` is the field that holds its name.

    `bytes_found_by` is the field by which photographs and files of such a record are found, "" where it has none.
    """

    named_by: ClassVar[str] = "name"
    bytes_found_by: ClassVar[str] = ""
    record: str

    @property
    def own_name(self) -> str:
        """Its name as it is spelled; "" for a case without a uid."""
        return getattr(self, self.named_by) or ""

    @property
    def key(self) -> str:
        """What tells it from all others of its kind, however its name is spelled."""
        return self.own_name.casefold()


AnyLine = TypeVar("AnyLine", bound=LineRecord)


def refuse(kind: str, message: str, field: str) -> PydanticCustomError:
    """The error to raise of a field in a validator of the whole record."""
    return PydanticCustomError(kind, message, {"field": field})


def unique(values: list[str], field: str, what: str) -> None:
    """Refuses a list that names one thing twice."""
    if len(set(values)) != len(values):
        twice = Counter(values).most_common(1)[0][0]
        raise refuse("twice", f"names the {what} {twice} twice", field)


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
