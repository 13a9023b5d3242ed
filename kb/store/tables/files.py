"""The tables of photographs and files: content by its hash, and where cases refer to it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column, ForeignKey, Index, UniqueConstraint
from sqlmodel import Field

from kb.store.tables.core import RowNumber, Table, now


class StoredFile(Table, table=True):
    """What is known of content in the folder of files; written after the content itself is on the disk."""

    __tablename__ = "stored_file"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    content: str = Field(unique=True)
    media_type: str
    size_bytes: int
    width_px: int | None = None
    height_px: int | None = None
    added_at: datetime = Field(default_factory=now)


class CaseFile(Table, table=True):
    """A file of a case. Its content never changes; caption and marks do, with a version of their own."""

    __tablename__ = "case_file"
    __table_args__ = (
        UniqueConstraint("case_id", "stored_file_id"),
        Index("ix_case_file_case_id_position", "case_id", "position"),
    )
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    uid: str = Field(unique=True)
    case_id: int = Field(
        sa_column=Column(RowNumber, ForeignKey("board_case.id", ondelete="CASCADE"), nullable=False)
    )
    stored_file_id: int = Field(foreign_key="stored_file.id", index=True, sa_type=RowNumber)
    position: int
    original_name: str = ""
    caption: str = ""
    marks: Any = Field(sa_column=Column(JSON, nullable=False))
    added_at: datetime = Field(default_factory=now)
    added_by: str = ""
    version: int = 1
    changed_at: datetime = Field(default_factory=now)
    binned_at: datetime | None = None
