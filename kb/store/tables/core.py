"""The tables. They validate nothing: records are checked by `kb.model` before they come here.

Lists that are never searched by themselves (pins, synonyms, measured points) are JSON columns;
everything a question can be asked about is a column or a table of its own.
"""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, Column, ForeignKey, Index, Integer, MetaData, Text, text
from sqlmodel import Field, SQLModel

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Table(SQLModel):
    """Base of all tables, with names for every constraint so that migrations can address them."""

    metadata = MetaData(naming_convention=NAMING)


# Numbers of rows: 64 bits on PostgreSQL; on SQLite only INTEGER counts by itself, and has as many.
RowNumber = BigInteger().with_variant(Integer(), "sqlite")


def _owner(table: str) -> Any:
    return Column(RowNumber, ForeignKey(f"{table}.id", ondelete="CASCADE"), nullable=False, index=True)


def _json() -> Any:
    return Column(JSON, nullable=False)


def _list() -> Any:
    return Column(JSON, nullable=False, server_default=text("'[]'"))


def now() -> datetime:
    """The moment a row was written, UTC, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


class Setting(Table, table=True):
    """What the store knows about itself: its identity and small choices of its users."""

    __tablename__ = "setting"
    name: str = Field(primary_key=True)
    value: Any = Field(sa_column=_json())


class Change(Table, table=True):
    """The change feed: one row for each record written, in the transaction that wrote it.

    `version` is the record's after the change; `batch` names the `Batch` whose changes belong together.
    `checksum` is of the record that was written, None where it was left as it was or is gone.
    """

    __tablename__ = "change"
    __table_args__ = (
        Index("ix_change_entity_key_batch", "entity", "key", "batch"),
        Index("ix_change_entity_seq", "entity", "seq"),
        Index("ix_change_who_seq", "who", "seq"),
        Index("ix_change_batch_seq", "batch", "seq"),
        {"sqlite_autoincrement": True},
    )
    seq: int = Field(default=None, sa_column=Column(RowNumber, primary_key=True))
    nonce: str
    entity: str
    key: str
    operation: str
    version: int | None = None
    who: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    batch: str | None = None
    at: datetime = Field(default_factory=now)
    checksum: str | None = None


class Batch(Table, table=True):
    """Changes that were made as one and are undone as one: an import, a merge, a withdrawal."""

    __tablename__ = "batch"
    id: str = Field(primary_key=True)
    kind: str
    title: str = ""
    who: str = ""
    at: datetime = Field(default_factory=now)
    facts: Any = Field(sa_column=_json())
    undone_at: datetime | None = None
    undone_by: str = ""


class History(Table, table=True):
    """The version of a record that a change replaced, whole, in the exchange format.

    `binned_at` is when that version had been put in the bin, None where it was in use.
    """

    __tablename__ = "history"
    __table_args__ = (Index("ix_history_entity_key", "entity", "key"),)
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    entity: str
    key: str
    version: int
    record: Any = Field(sa_column=_json())
    replaced_at: datetime = Field(default_factory=now)
    binned_at: datetime | None = None
    checksum: str | None = None


class SentOnce(Table, table=True):
    """A write that carried a key of its own and was done: the same key again does nothing more.

    `entity` and `name` are the first record that it wrote. Kept for sixty days.
    """

    __tablename__ = "sent_once"
    who: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    at: datetime = Field(default_factory=now, index=True)
    entity: str = ""
    name: str = ""


class Family(Table, table=True):
    __tablename__ = "family"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    code: str
    code_key: str = Field(unique=True)
    kind: str = ""
    mains_v: float | None = None
    bulk_v: float | None = None
    bulk_uf: float | None = None
    fuse: str = ""
    isolated: bool | None = None
    switch: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    enable: Any = Field(default=None, sa_column=Column(JSON(none_as_null=True), nullable=True))
    tips: Any = Field(sa_column=_list())
    revisions: Any = Field(sa_column=_list())
    used_in: Any = Field(sa_column=_list())
    documents: Any = Field(sa_column=_list())
    pin_values: Any = Field(sa_column=_list())
    notes: str = Field(default="", sa_column=Column(Text, nullable=False))
    version: int = 1
    changed_at: datetime = Field(default_factory=now)
    binned_at: datetime | None = None


class FamilyNumber(Table, table=True):
    """Every number a family is known by, its code included, so that none can name two families."""

    __tablename__ = "family_number"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    family_id: int = Field(sa_column=_owner("family"))
    position: int
    number: str
    number_key: str = Field(unique=True)


class FamilyRail(Table, table=True):
    __tablename__ = "family_rail"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    family_id: int = Field(sa_column=_owner("family"))
    position: int
    name: str
    role: str
    nominal_v: float
    tolerance_pct: float | None = None
    rated_a: float | None = None
    ripple_mv: float | None = None
    always_on: bool = False
    connector: str = ""
    pins: Any = Field(sa_column=_json())
    ground_pins: Any = Field(sa_column=_json())


class FamilyConnector(Table, table=True):
    __tablename__ = "family_connector"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    family_id: int = Field(sa_column=_owner("family"))
    position: int
    name: str
    pins: int
    rows: int = 1


class Symptom(Table, table=True):
    __tablename__ = "symptom"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    name: str
    name_key: str = Field(unique=True)
    synonyms: Any = Field(sa_column=_json())
    how: str = "told"
    minutes: float = 1.0
    version: int = 1
    binned_at: datetime | None = None


class PartClass(Table, table=True):
    __tablename__ = "part_class"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    name: str
    name_key: str = Field(unique=True)
    synonyms: Any = Field(sa_column=_json())
    letters: Any = Field(sa_column=_json())
    version: int = 1
    binned_at: datetime | None = None


class BenchLoad(Table, table=True):
    __tablename__ = "bench_load"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    name: str
    name_key: str = Field(unique=True)
    kind: str
    points: Any = Field(sa_column=_json())
    ohm: float | None = None
    tolerance_pct: float | None = None
    max_w: float | None = None
    max_v: float | None = None
    max_a: float | None = None
    count: int = 1
    base: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    version: int = 1
    binned_at: datetime | None = None


class ShelfPart(Table, table=True):
    __tablename__ = "shelf_part"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    name: str
    name_key: str = Field(unique=True)
    part_class: str
    kind: str = ""
    type_number: str = ""
    value: float | None = None
    unit: str = ""
    tolerance_pct: float | None = None
    max_v: float | None = None
    max_a: float | None = None
    max_w: float | None = None
    max_c: float | None = None
    esr_ohm: float | None = None
    package: str = ""
    count: int = 0
    least: int | None = None
    place: str = ""
    price: float | None = None
    used_at: Any = Field(sa_column=_json())
    instead_of: Any = Field(sa_column=_json())
    notes: str = Field(default="", sa_column=Column(Text, nullable=False))
    version: int = 1
    binned_at: datetime | None = None


class Origin(Table, table=True):
    """Another shop whose shared cases this store holds; `exported` is the day of its newest export read."""

    __tablename__ = "origin"
    id: str = Field(primary_key=True)
    name: str
    exported: date
    brought_at: datetime = Field(default_factory=now)
    withdrawn_at: datetime | None = None
    withdrawn_batch: str | None = None


def some(name: str, columns: Sequence[str], rows: str) -> Index:
    """An index of some rows. A query uses it that asks for these rows in the same words, without parameters."""
    return Index(name, *columns, sqlite_where=text(rows), postgresql_where=text(rows))


_ON_BENCH = "verdict IS NULL AND binned_at IS NULL AND origin_id IS NULL"


class BoardCase(Table, table=True):
    """`day` is when the board came in or, failing that, was closed: what lists of cases are ordered by."""

    __tablename__ = "board_case"
    __table_args__ = (
        Index("ix_board_case_family_id_day", "family_id", "day", "id"),
        some("ix_board_case_day", ("day", "id"), "binned_at IS NULL"),
        some("ix_board_case_customer", ("customer", "day", "id"), "binned_at IS NULL"),
        some("ix_board_case_own_day", ("day", "id"), "binned_at IS NULL AND origin_id IS NULL"),
        some("ix_board_case_open_day", ("day", "id"), _ON_BENCH),
        some("ix_board_case_open_worker", ("worker", "day", "id"), _ON_BENCH),
        some(
            "ix_board_case_waiting", ("waiting_since", "id", "worker"), f"{_ON_BENCH} AND waiting_for <> ''"
        ),
        some("ix_board_case_binned_at", ("binned_at", "id"), "binned_at IS NOT NULL"),
        some("ix_board_case_binned_day", ("day", "id"), "binned_at IS NOT NULL"),
        some("ix_board_case_others", ("origin_id", "binned_at"), "origin_id IS NOT NULL"),
    )
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    uid: str = Field(unique=True)
    origin_id: str | None = Field(default=None, foreign_key="origin.id")
    family_id: int = Field(sa_column=Column(RowNumber, ForeignKey("family.id"), nullable=False))
    revision: str = ""
    brand: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    device: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    year_made: int | None = None
    serial: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    received: date | None = Field(default=None, index=True)
    closed: date | None = Field(default=None, index=True)
    day: date | None = None
    verdict: str | None = None
    complaint: str = Field(default="", sa_column=Column(Text, nullable=False))
    customer: str = ""
    worker: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    waiting_for: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    waiting_since: date | None = None
    quote: Any = Field(default=None, sa_column=Column(JSON(none_as_null=True), nullable=True))
    pin_values: Any = Field(default=None, sa_column=Column(JSON(none_as_null=True), nullable=True))
    notes: str = Field(default="", sa_column=Column(Text, nullable=False))
    version: int = 1
    changed_at: datetime = Field(default_factory=now)
    binned_at: datetime | None = None


class CaseSymptom(Table, table=True):
    __tablename__ = "case_symptom"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    case_id: int = Field(sa_column=_owner("board_case"))
    position: int
    symptom_id: int = Field(foreign_key="symptom.id", index=True, sa_type=RowNumber)
    present: bool = True


class CaseReading(Table, table=True):
    __tablename__ = "case_reading"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    case_id: int = Field(sa_column=_owner("board_case"))
    position: int
    rail: str | None = None
    point: str | None = None
    quantity: str
    supply: str
    load: str
    value: float | None = None
    min: float | None = None
    max: float | None = None
    written: str = ""
    after_repair: bool = False


class CaseAttempt(Table, table=True):
    """`family_id` and `day` are the case's own, so that the latest cases of a fix are found at once."""

    __tablename__ = "case_attempt"
    __table_args__ = (
        Index("ix_case_attempt_fix", "family_id", "part_class_id", "section", "day", "case_id"),
    )
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    case_id: int = Field(sa_column=_owner("board_case"))
    position: int
    part: str = ""
    part_class_id: int = Field(foreign_key="part_class.id", index=True, sa_type=RowNumber)
    section: str
    failure: str = ""
    action: str
    result: str
    cause: bool | None = None
    cost_cents: int | None = None
    minutes: int | None = None
    shelf_part: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    shelf_count: int | None = None
    family_id: int | None = Field(default=None, sa_type=RowNumber)
    day: date | None = None


class CaseFollowUp(Table, table=True):
    __tablename__ = "case_follow_up"
    __table_args__ = (some("ix_case_follow_up_came_back", ("date", "id"), "state <> 'still working'"),)
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    case_id: int = Field(sa_column=_owner("board_case"))
    position: int
    date: date
    state: str
    note: str = ""


class CaseTotal(Table, table=True):
    """How many cases there are of something, so that no page counts them: derived, see `records.totals`.

    `family_id` is 0 where the cases of all families are counted.
    """

    __tablename__ = "case_total"
    __table_args__ = (Index("ix_case_total_most", "what", "family_id", "cases"),)
    what: str = Field(primary_key=True)
    family_id: int = Field(primary_key=True, sa_type=RowNumber, sa_column_kwargs={"autoincrement": False})
    item: str = Field(primary_key=True)
    cases: int


class ChangeTotal(Table, table=True):
    """How many changes of a kind of record somebody made: derived, see `records.totals`."""

    __tablename__ = "change_total"
    entity: str = Field(primary_key=True)
    who: str = Field(primary_key=True)
    changes: int
