"""Tables of the bench: test runs with their entries, and the reports given to customers.

They are kept apart from the records of the exchange format: a run's readings and verdict reach the case
itself, which is what is exported.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column, ForeignKey, text
from sqlmodel import Field

from kb.store.tables.core import RowNumber, Table, now, some


def _link(table: str, *, needed: bool) -> Any:
    return Column(RowNumber, ForeignKey(f"{table}.id"), nullable=not needed, index=True)


def _owner(table: str) -> Any:
    return Column(RowNumber, ForeignKey(f"{table}.id", ondelete="CASCADE"), nullable=False, index=True)


def _json() -> Any:
    return Column(JSON, nullable=False)


class BenchRun(Table, table=True):
    """One test of one board. `family` is the family as it was when the test began, so that a later change
    of the family cannot move a step under an entry; `loads`, `left_out` and `setup` are small JSON objects.
    `setup` holds what was stated of the set-up and the deliberate acts: see `kb.service.bench.setup`."""

    __tablename__ = "bench_run"
    __table_args__ = (some("ix_bench_run_under_way", ("id",), "finished_at IS NULL"),)
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    uid: str = Field(unique=True)
    family_id: int = Field(sa_column=_link("family", needed=True))
    case_id: int | None = Field(default=None, sa_column=_link("board_case", needed=False))
    label: str = ""
    after_repair: bool = False
    isolated: bool = False
    soak_s: float
    loads: Any = Field(sa_column=_json())
    left_out: Any = Field(sa_column=_json())
    setup: Any = Field(sa_column=Column(JSON, nullable=False, server_default=text("'{}'")))
    family: Any = Field(sa_column=_json())
    verdict: Any = Field(sa_column=_json())
    state: str = Field(default="not finished", index=True)
    started_at: datetime = Field(default_factory=now)
    changed_at: datetime = Field(default_factory=now, index=True)
    acknowledged_at: datetime | None = None
    finished_at: datetime | None = None


class BenchEntry(Table, table=True):
    """What was entered at one step; `reading` is what the case got from it, None where it got nothing;
    `around` is what else was noted with it: how long it ran, what was connected, what helped."""

    __tablename__ = "bench_entry"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    run_id: int = Field(sa_column=_owner("bench_run"))
    step: str
    value: float | None = None
    min: float | None = None
    max: float | None = None
    open: bool = False
    done: bool = False
    written: str = ""
    load_a: float | None = None
    around: Any = Field(sa_column=Column(JSON, nullable=False, server_default=text("'{}'")))
    reading: Any = Field(default=None, sa_column=Column(JSON(none_as_null=True), nullable=True))
    entered_at: datetime = Field(default_factory=now)
    taken_back: bool = False


class CustomerReport(Table, table=True):
    """A report to a customer: a draft while `issued_at` is empty, and never changed once it is issued."""

    __tablename__ = "customer_report"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    uid: str = Field(unique=True)
    case_id: int = Field(sa_column=_owner("board_case"))
    content: Any = Field(sa_column=_json())
    written_at: datetime = Field(default_factory=now)
    issued_at: datetime | None = None
