"""Pictures of a board: which side, where its corners lie, and what is where on it."""

import re
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from kb.facts.designators import code_key
from kb.facts.plane import is_board_outline
from kb.model.base import LineRecord, Record, refuse
from kb.model.fields import Day, Label, Name, PinNumber, Positive, Section, Side, Uid, Words
from kb.model.marks import Share

_SHA256 = re.compile(r"[0-9a-f]{64}")
_BASE64 = re.compile(r"[A-Za-z0-9+/]+={0,2}")
PIN_KINDS = ("part", "test point", "connector", "hot side")
MOST_PINS = 500
MOST_OF_AN_OUTLINE = 60
Place = Annotated[list[Share], Field(min_length=2, max_length=2)]
Pixels = Annotated[int, Field(ge=1, le=30_000)]
_A = {"part": "a part", "test point": "a test point", "connector": "a connector", "hot side": "the hot side"}


def _sha256(value: str) -> str:
    if not _SHA256.fullmatch(value):
        raise PydanticCustomError("sha256", "is no SHA-256")
    return value


def _base64(value: str) -> str:
    if not _BASE64.fullmatch(value):
        raise PydanticCustomError("base64", "is not written in base64")
    return value


Sha256 = Annotated[
    str, Field(max_length=64, json_schema_extra={"pattern": f"^{_SHA256.pattern}$"}), AfterValidator(_sha256)
]
Base64 = Annotated[
    str,
    Field(max_length=3_600_000, json_schema_extra={"pattern": f"^{_BASE64.pattern}$"}),
    AfterValidator(_base64),
]


class Pin(Record):
    """What lies where on a picture. Places are fractions of the picture's width (`x`) and height (`y`), from its
    upper left, as in marks.

    A part and a test point lie at (`x`, `y`). A connector has its pin 1 there and, where it is known, its highest
    pin at (`to_x`, `to_y`). The hot side is what its `outline` encloses.
    """

    kind: Literal["part", "test point", "connector", "hot side"] = Field(
        "part", title="What it is", description="part, test point, connector or hot side"
    )
    label: Label = Field("", title="Designator", description="designator or name as printed on the board")
    x: Share | None = Field(
        None, title="From the left", description="fraction of the width; pin 1's for a connector"
    )
    y: Share | None = Field(
        None, title="From the top", description="fraction of the height; pin 1's for a connector"
    )
    to_x: Share | None = Field(
        None, title="Last pin from the left", description="fraction of the width of a connector's highest pin"
    )
    to_y: Share | None = Field(
        None, title="Last pin from the top", description="fraction of the height of a connector's highest pin"
    )
    pins: PinNumber | None = Field(None, title="Number of pins", description="number of pins of a connector")
    rows: Annotated[int, Field(ge=1, le=4)] | None = Field(
        None, title="Rows of pins", description="rows that a connector's pins lie in"
    )
    outline: Annotated[list[Place], Field(max_length=MOST_OF_AN_OUTLINE)] = Field(
        [], description="corners of the outline of the hot side, fractions of width and height"
    )
    part_class: Words = Field("", title="Part class", description="kind of part")
    section: Section | None = Field(None, title="Section", description="functional block")

    @model_validator(mode="after")
    def _has_what_its_kind_needs(self) -> Self:
        for name in ("label", "part_class"):
            if ";" in getattr(self, name):  # the pages write a pin as one line, cut at semicolons
                raise refuse("semicolon", "holds a semicolon", name)
        if self.kind == "hot side":
            if len(self.outline) < 3:
                raise refuse("few_corners", "needs at least three corners", "outline")
            if self.x is not None or self.y is not None:
                raise refuse("pin_has_not", "belongs to parts, test points and connectors", "x")
        else:
            if not code_key(self.label):
                raise refuse("no_label", f"is missing for {_A[self.kind]}", "label")
            if self.x is None or self.y is None:
                raise refuse("no_place", f"is missing for {_A[self.kind]}", "x" if self.x is None else "y")
            if self.outline:
                raise refuse("pin_has_not", "belongs to the hot side only", "outline")
        if self.kind != "connector":
            for name in ("to_x", "to_y", "pins", "rows"):
                if getattr(self, name) is not None:
                    raise refuse("pin_has_not", "belongs to connectors only", name)
        elif (self.to_x is None) != (self.to_y is None):
            raise refuse("no_place", "is missing for the last pin", "to_x" if self.to_x is None else "to_y")
        return self


class PictureRecord(LineRecord):
    """A picture of one side of a board, with what is where on it.

    The picture itself is a file of its own, known by the SHA-256 of its bytes; `image` holds these bytes (base64)
    only in what is shared on purpose. `corners` are those of the board (upper left, upper right, lower right,
    lower left), by which it is shown straight, `straight_width_px` by `straight_height_px` large; without them it
    is shown as it is. `mm_per_px` is the scale of what is shown. `replaced_by` names a better picture of the side.
    """

    named_by: ClassVar[str] = "uid"
    bytes_found_by: ClassVar[str] = "sha256"
    record: Literal["picture"] = "picture"
    uid: Uid = Field(title="Number of the picture", description="what tells the picture from all others")
    family: Name = Field(title="Board family", description="code of the board family")
    side: Side = Field("component side", title="Side", description="which side of the board it shows")
    caption: Words = Field("", title="Caption", description="what is to be said of it")
    taken: Day | None = Field(None, title="Taken on", description="day it was taken")
    sha256: Sha256 = Field(title="SHA-256", description="SHA-256 of the picture's bytes")
    media_type: Literal["image/jpeg", "image/png", "image/webp"] = Field(
        "image/jpeg", title="Media type", description="media type, proved by its content"
    )
    width_px: Pixels = Field(title="Width", description="width of the picture, pixels")
    height_px: Pixels = Field(title="Height", description="height of the picture, pixels")
    corners: Annotated[list[Place], Field(max_length=4)] = Field(
        [],
        title="Corners of the board",
        description="the board's four corners, fractions of width and height",
    )
    straight_width_px: Pixels | None = Field(
        None, title="Width, straightened", description="width it is shown with, pixels"
    )
    straight_height_px: Pixels | None = Field(
        None, title="Height, straightened", description="height it is shown with, pixels"
    )
    mm_per_px: Positive | None = Field(
        None, title="Scale", description="millimetres for each pixel of what is shown"
    )
    replaced_by: Uid | None = Field(
        None, title="Replaced by", description="picture that took its place, empty while it is in use"
    )
    pins: Annotated[list[Pin], Field(max_length=MOST_PINS)] = Field([], description="what is where on it")
    image: Base64 | None = Field(
        None,
        title="Bytes of the picture",
        description="bytes of the picture, base64; only where it is shared",
    )

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        seen: dict[str, str] = {}
        for number, pin in enumerate(self.pins):
            if pin.kind != "hot side" and seen.setdefault(code_key(pin.label), pin.label) is not pin.label:
                raise refuse("twice", f"is on the picture twice ({pin.label})", f"pins.{number}.label")
        if self.corners:
            points = [(x * self.width_px, y * self.height_px) for x, y in self.corners]
            if not is_board_outline(points):
                raise refuse("corners", "do not go round the board from its upper left, clockwise", "corners")
        straight = (self.straight_width_px is not None, self.straight_height_px is not None)
        if straight != (bool(self.corners), bool(self.corners)):
            raise refuse("straight", "belongs to four corners, and they to it", "straight_width_px")
        if self.replaced_by == self.uid:
            raise refuse("replaced", "names the picture itself", "replaced_by")
        return self

    @property
    def key(self) -> str:
        return self.uid
