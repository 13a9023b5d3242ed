"""What people write about a picture: a caption, and marks drawn over it, kept as data."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from kb.model.base import Record, refuse
from kb.model.fields import Label, Words

MARK_KINDS = ("circle", "arrow", "text")
MOST_MARKS = 50
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
_A = {"circle": "a circle", "arrow": "an arrow", "text": "a text"}
_OWN = {"circle": ("size",), "arrow": ("to_x", "to_y"), "text": ("text",)}


class Mark(Record):
    """One mark. Places are fractions of the picture's width (`x`) and height (`y`), from its upper left.

    A circle has its centre there and `size`, its radius as a fraction of the width; an arrow begins
    there and points at (`to_x`, `to_y`); a text begins there.
    """

    kind: Literal["circle", "arrow", "text"]
    x: Share
    y: Share
    size: Annotated[float, Field(ge=0.005, le=1, allow_inf_nan=False)] | None = None
    to_x: Share | None = None
    to_y: Share | None = None
    text: Label = ""

    @model_validator(mode="after")
    def _has_what_its_kind_needs(self) -> Self:
        for kind, names in _OWN.items():
            for name in names:
                given = getattr(self, name) not in (None, "")
                if kind == self.kind and not given:
                    raise refuse("mark_needs", f"is missing for {_A[kind]}", name)
                if kind != self.kind and given:
                    raise refuse("mark_has_not", f"belongs to {_A[kind]} only", name)
        if self.kind == "arrow" and (self.x, self.y) == (self.to_x, self.to_y):
            raise refuse("mark_point", "is where the arrow begins", "to_x")
        return self


class FileWords(Record):
    """Caption and marks of a file of a case; only pictures can carry marks."""

    caption: Words = ""
    marks: Annotated[list[Mark], Field(max_length=MOST_MARKS)] = []
