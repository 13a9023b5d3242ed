"""A Data Package (Frictionless specifications, version 1): every table as CSV with a schema that explains it.

For programs: texts are written as they are, without the apostrophes that a spreadsheet needs. Empty cells
are missing values; lists are JSON arrays. Which licence the data are under is for the shop to say.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from kb.model import (
    Attempt,
    CaseRecord,
    Connector,
    Enable,
    FamilyRecord,
    FollowUp,
    LineRecord,
    LoadRecord,
    NotedSymptom,
    OriginRecord,
    PartClassRecord,
    PictureRecord,
    Pin,
    Quote,
    Rail,
    Reading,
    Record,
    ShelfPartRecord,
    SymptomRecord,
    as_dict,
)

_Field = tuple[str, str, str]
_CASE_KEY: _Field = ("case", "string", "uid of the case")
_POSITION: _Field = ("position", "integer", "place in the list, from 1")
_FAMILY_KEY: _Field = ("family", "string", "code of the board family")


def _type_of(annotation: Any) -> str:
    """The type that the package's schema gives a field of a record."""
    inner = [one for one in get_args(annotation) if one is not type(None)]
    if get_origin(annotation) is Literal:
        return "string"
    if get_origin(annotation) is list:
        return "array"
    if inner:
        return _type_of(inner[0])
    names = {bool: "boolean", int: "integer", float: "number", date: "date", str: "string"}
    return names.get(annotation, "array")


def _fields_of(model: type[Record], *without: str, before: tuple[_Field, ...] = ()) -> tuple[_Field, ...]:
    """The fields of a record as columns, described as the record describes them."""
    return before + tuple(
        (name, _type_of(field.annotation), field.description or "")
        for name, field in model.model_fields.items()
        if name not in ("record", *without)
    )


def _family_fields() -> tuple[_Field, ...]:
    *plain, notes = _fields_of(FamilyRecord, "rails", "connectors", "enable")
    enable = ((f"enable_{name}", kind, text) for name, kind, text in _fields_of(Enable))
    return (*plain, *enable, notes)


def _case_fields() -> tuple[_Field, ...]:
    *plain, notes = _fields_of(CaseRecord, *_PARTS_OF_CASE, "quote")
    quote = ((f"quote_{name}", kind, text) for name, kind, text in _fields_of(Quote))
    return (*plain, *quote, notes)


_PARTS_OF_CASE = ("symptoms", "readings", "attempts", "follow_ups")
_OF_FAMILY, _OF_CASE = (_FAMILY_KEY, _POSITION), (_CASE_KEY, _POSITION)
_OF_PICTURE = (("picture", "string", "uid of the picture"), _POSITION)
_TO_FAMILY, _TO_CASE = {"family": ("families", "code")}, {"case": ("cases", "uid")}
# Per table: its fields (name, type, description), its primary key, and where other tables are named.
TABLES: dict[str, tuple[tuple[_Field, ...], tuple[str, ...], dict[str, tuple[str, str]]]] = {
    "origins": (_fields_of(OriginRecord, "sharing"), ("id",), {}),
    "symptoms": (_fields_of(SymptomRecord), ("name",), {}),
    "part_classes": (_fields_of(PartClassRecord), ("name",), {}),
    "loads": (_fields_of(LoadRecord), ("name",), {}),
    "shelf_parts": (_fields_of(ShelfPartRecord), ("name",), {}),
    "families": (_family_fields(), ("code",), {}),
    "rails": (_fields_of(Rail, before=_OF_FAMILY), ("family", "position"), _TO_FAMILY),
    "connectors": (_fields_of(Connector, before=_OF_FAMILY), ("family", "position"), _TO_FAMILY),
    "pictures": (_fields_of(PictureRecord, "pins", "image"), ("uid",), _TO_FAMILY),
    "pins": (
        _fields_of(Pin, before=_OF_PICTURE),
        ("picture", "position"),
        {"picture": ("pictures", "uid")},
    ),
    "cases": (
        _case_fields(),
        ("uid",),
        {**_TO_FAMILY, "origin": ("origins", "id")},
    ),
    "symptoms_of_cases": (
        _fields_of(NotedSymptom, before=_OF_CASE),
        ("case", "position"),
        {**_TO_CASE, "name": ("symptoms", "name")},
    ),
    "readings": (_fields_of(Reading, before=_OF_CASE), ("case", "position"), _TO_CASE),
    "attempts": (
        _fields_of(Attempt, before=_OF_CASE),
        ("case", "position"),
        {**_TO_CASE, "part_class": ("part_classes", "name")},
    ),
    "follow_ups": (_fields_of(FollowUp, before=_OF_CASE), ("case", "position"), _TO_CASE),
}
# With photographs two more: which case has which file, and what lies in the package under `files/`.
FILE_TABLES: dict[str, tuple[tuple[_Field, ...], tuple[str, ...], dict[str, tuple[str, str]]]] = {
    "contents": (
        (
            ("sha256", "string", "SHA-256 of the bytes"),
            ("bytes", "integer", "size, bytes"),
            ("width_px", "integer", "width of a picture, pixels"),
            ("height_px", "integer", "height of a picture, pixels"),
            ("trouble", "string", "why it is not in the package, empty where it is"),
        ),
        ("sha256",),
        {},
    ),
    "files": (
        (
            _CASE_KEY,
            _POSITION,
            ("name", "string", "name under which it was sent"),
            ("caption", "string", "caption"),
            ("type", "string", "media type, proved by its content"),
            ("sha256", "string", "SHA-256 of the bytes"),
            ("path", "string", "where it lies in the package, empty where it is missing"),
            ("marks", "array", "what is drawn over it; places are fractions of its width and height"),
        ),
        ("case", "position"),
        {"case": ("cases", "uid"), "sha256": ("contents", "sha256")},
    ),
}
_ALL_TABLES = TABLES | FILE_TABLES
# The table of each kind of record.
_TABLE_OF = {
    "origin": "origins",
    "symptom": "symptoms",
    "part_class": "part_classes",
    "load": "loads",
    "shelf_part": "shelf_parts",
    "family": "families",
    "picture": "pictures",
    "case": "cases",
}
_PARTS = {
    "families": (("rails", "rails"), ("connectors", "connectors")),
    "pictures": (("pins", "pins"),),
    "cases": (
        ("symptoms", "symptoms_of_cases"),
        ("readings", "readings"),
        ("attempts", "attempts"),
        ("follow_ups", "follow_ups"),
    ),
}


def rows_of(record: LineRecord) -> Iterator[tuple[str, list[Any]]]:
    """(table, row) of a record and of everything that belongs to it."""
    table = _TABLE_OF[record.record]
    values = dict(record)
    for field in ("enable", "quote"):
        values |= {f"{field}_{name}": value for name, value in values.get(field) or ()}
    yield table, [_cell(values.get(name)) for name, _, _ in TABLES[table][0]]
    for name, part in _PARTS.get(table, ()):
        for position, entry in enumerate(getattr(record, name), start=1):
            cells = [_cell(getattr(entry, field)) for field, _, _ in TABLES[part][0][2:]]
            yield part, [record.own_name, position, *cells]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        plain = [as_dict(entry) if isinstance(entry, Record) else entry for entry in value]
        return json.dumps(plain, ensure_ascii=False)
    return repr(value) if isinstance(value, float) else str(value)


class PackageWriter:
    """Writes the tables of a package into a folder, a record at a time. Use as a context manager.

    `with_files` makes the tables of photographs and files as well.
    """

    def __init__(self, folder: Path, *, with_files: bool = False) -> None:
        self._folder = folder
        self.tables = tuple(_ALL_TABLES if with_files else TABLES)
        self._open = ExitStack()
        self._writers: dict[str, Any] = {}
        self.rows = dict.fromkeys(self.tables, 0)

    def __enter__(self) -> PackageWriter:
        for name in self.tables:
            fields = _ALL_TABLES[name][0]
            file = (self._folder / f"{name}.csv").open("w", encoding="utf-8", newline="")
            self._writers[name] = csv.writer(self._open.enter_context(file), lineterminator="\r\n")
            self._writers[name].writerow([field for field, _, _ in fields])
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def add(self, record: LineRecord) -> None:
        """Adds the rows of a record."""
        for table, row in rows_of(record):
            self._write(table, row)

    def add_entry(self, table: str, values: Sequence[Any]) -> None:
        """Adds a row of one of the tables of files, its values in the order of the fields."""
        self._write(table, [_cell(value) for value in values])

    def _write(self, table: str, row: Sequence[Any]) -> None:
        self._writers[table].writerow(row)
        self.rows[table] += 1


def descriptor(name: str, title: str, made: str, sizes: dict[str, int]) -> dict[str, Any]:
    """The `datapackage.json` of a package of the tables in `sizes` (bytes). `name` is a slug, `made` a day."""
    return {
        "profile": "tabular-data-package",
        "name": name,
        "title": title,
        "created": f"{made}T00:00:00Z",
        "description": "Cases of board faults with their board families. The shop has named no licence.",
        "resources": [_resource(table, sizes[table]) for table in sizes],
    }


def _resource(table: str, size: int) -> dict[str, Any]:
    fields, key, links = _ALL_TABLES[table]
    return {
        "profile": "tabular-data-resource",
        "name": table,
        "path": f"data/{table}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": size,
        "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True},
        "schema": {
            "fields": [
                {
                    "name": name,
                    "type": kind,
                    "description": text,
                    **({"constraints": {"required": True}} if name in key else {}),
                }
                for name, kind, text in fields
            ],
            "primaryKey": _one_or_more(key),
            "missingValues": [""],
            **(
                {
                    "foreignKeys": [
                        {"fields": field, "reference": {"resource": other, "fields": there}}
                        for field, (other, there) in links.items()
                    ]
                }
                if links
                else {}
            ),
        },
    }


def _one_or_more(names: Sequence[str]) -> str | list[str]:
    return names[0] if len(names) == 1 else list(names)
