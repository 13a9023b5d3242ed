"""The tables of pictures of boards: the picture, and what is where on it."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, Column, ForeignKey, Index
from sqlmodel import Field

from kb.store.tables.core import RowNumber, Table, now


class BoardPicture(Table, table=True):
    """A picture of one side of a family's board.

    `content` is the SHA-256 of its bytes, `stored_file_id` what is known of them here: None where a record came
    without the picture, which can be sent later.
    """

    __tablename__ = "board_picture"
    __table_args__ = (Index("ix_board_picture_family_id", "family_id", "id"),)
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    uid: str = Field(unique=True)
    family_id: int = Field(
        sa_column=Column(RowNumber, ForeignKey("family.id", ondelete="CASCADE"), nullable=False)
    )
    side: str
    caption: str = ""
    taken: date | None = None
    content: str = Field(index=True)
    stored_file_id: int | None = Field(
        default=None, foreign_key="stored_file.id", index=True, sa_type=RowNumber
    )
    media_type: str
    width_px: int
    height_px: int
    corners: Any = Field(sa_column=Column(JSON, nullable=False))
    straight_width_px: int | None = None
    straight_height_px: int | None = None
    mm_per_px: float | None = None
    replaced_by: str | None = None
    added_at: datetime = Field(default_factory=now)
    added_by: str = ""
    version: int = 1
    changed_at: datetime = Field(default_factory=now)
    binned_at: datetime | None = None


class BoardPin(Table, table=True):
    """What lies where on a picture; `label_key` is how its name is compared."""

    __tablename__ = "board_pin"
    __table_args__ = (Index("ix_board_pin_picture_id_label_key", "picture_id", "label_key"),)
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    picture_id: int = Field(
        sa_column=Column(RowNumber, ForeignKey("board_picture.id", ondelete="CASCADE"), nullable=False)
    )
    position: int
    kind: str
    label: str = ""
    label_key: str = ""
    x: float | None = None
    y: float | None = None
    to_x: float | None = None
    to_y: float | None = None
    pins: int | None = None
    rows: int | None = None
    outline: Any = Field(sa_column=Column(JSON, nullable=False))
    part_class: str = ""
    section: str | None = None
