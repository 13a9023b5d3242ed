"""How the columns and words of a bench's own spreadsheets are read, kept under a name to be used again."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column
from sqlmodel import Field

from kb.store.tables.core import RowNumber, Table, now


class SheetMapping(Table, table=True):
    """One way to read a sheet. `headings` are the keys of its columns in order, `decisions` a JSON object
    of what was decided; neither is a record, so both stay out of the change feed and of exports."""

    __tablename__ = "sheet_mapping"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    name: str
    name_key: str = Field(unique=True)
    headings: Any = Field(sa_column=Column(JSON, nullable=False))
    decisions: Any = Field(sa_column=Column(JSON, nullable=False))
    changed_at: datetime = Field(default_factory=now)
