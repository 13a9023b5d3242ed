"""A Data Package (Frictionless specifications, version 1): every table as CSV with a schema that explains it.

For programs: texts are written as they are, without the apostrophes that a spreadsheet needs. Empty cells
are missing values; lists are JSON arrays. Which licence the data are under is for the shop to say.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from kb.model import (
    CaseRecord,
    FamilyRecord,
    LoadRecord,
    OriginRecord,
    PartClassRecord,
    Record,
    SymptomRecord,
)

_Field = tuple[str, str, str]
_CASE_KEY: _Field = ("case", "string", "uid of the case")
_POSITION: _Field = ("position", "integer", "place in the list, from 1")
_FAMILY_KEY: _Field = ("family", "string", "code of the board family")
# Per table: its fields (name, type, description), its primary key, and where other tables are named.
TABLES: dict[str, tuple[tuple[_Field, ...], tuple[str, ...], dict[str, tuple[str, str]]]] = {
    "origins": (
        (
            ("id", "string", "id of another shop"),
            ("name", "string", "name it shares under"),
            ("date", "date", "day of its newest export"),
        ),
        ("id",),
        {},
    ),
    "symptoms": (
        (
            ("name", "string", "entry of the symptom list"),
            ("synonyms", "array", "other words for it"),
            ("how", "string", "what finding it out takes"),
            ("minutes", "number", "how long that takes, minutes"),
        ),
        ("name",),
        {},
    ),
    "part_classes": (
        (
            ("name", "string", "kind of part"),
            ("synonyms", "array", "other words for it"),
            ("letters", "array", "designator letters it usually carries"),
        ),
        ("name",),
        {},
    ),
    "loads": (
        (
            ("name", "string", "dummy load of the bench"),
            ("kind", "string", "resistor, lamp or electronic"),
            ("points", "array", "measured pairs of volts and amperes"),
            ("ohm", "number", "resistance, ohms"),
            ("tolerance_pct", "number", "tolerance, per cent"),
            ("max_w", "number", "largest power, watts"),
            ("max_v", "number", "largest voltage, volts"),
            ("max_a", "number", "largest current, amperes"),
            ("count", "integer", "how many there are"),
            ("base", "string", "lamp whose base it shares with another filament"),
        ),
        ("name",),
        {},
    ),
    "families": (
        (
            ("code", "string", "number of the board family"),
            ("kind", "string", "what kind of board it is"),
            ("aliases", "array", "other numbers it is known by"),
            ("mains_v", "number", "mains voltage, volts"),
            ("bulk_v", "number", "bulk voltage, volts"),
            ("bulk_uf", "number", "bulk capacitance, microfarads"),
            ("fuse", "string", "fuse as printed"),
            ("isolated", "boolean", "whether its outputs are isolated from the mains; empty where not known"),
            ("switch", "string", "kind of its main switch"),
            ("enable_connector", "string", "connector of the enable pin"),
            ("enable_pin", "integer", "enable pin"),
            ("enable_from_rail", "string", "rail that the enable pin is pulled to"),
            ("enable_active", "string", "high or low"),
            ("enable_resistor_ohm", "number", "resistor to enable through, ohms"),
            ("notes", "string", "notes"),
        ),
        ("code",),
        {},
    ),
    "rails": (
        (
            _FAMILY_KEY,
            _POSITION,
            ("name", "string", "rail as printed"),
            ("role", "string", "role of the rail"),
            ("nominal_v", "number", "nominal voltage, volts"),
            ("tolerance_pct", "number", "tolerance, per cent"),
            ("rated_a", "number", "rated current, amperes"),
            ("ripple_mv", "number", "ripple limit, millivolts"),
            ("always_on", "boolean", "whether it is there in standby"),
            ("connector", "string", "connector"),
            ("pins", "array", "pins"),
            ("ground_pins", "array", "ground pins"),
        ),
        ("family", "position"),
        {"family": ("families", "code")},
    ),
    "connectors": (
        (
            _FAMILY_KEY,
            _POSITION,
            ("name", "string", "connector as printed"),
            ("pins", "integer", "number of pins"),
            ("rows", "integer", "rows they lie in"),
        ),
        ("family", "position"),
        {"family": ("families", "code")},
    ),
    "cases": (
        (
            ("uid", "string", "what tells the case from all others"),
            ("origin", "string", "shop that recorded it where that is another one"),
            _FAMILY_KEY,
            ("revision", "string", "revision of the board"),
            ("received", "date", "day the board came in"),
            ("closed", "date", "day the case was closed"),
            ("verdict", "string", "what came of it, empty while it is open"),
            ("complaint", "string", "what the customer said"),
            ("customer", "string", "customer"),
            ("worker", "string", "in whose hands the board is"),
            ("waiting_for", "string", "parts it waits for"),
            ("waiting_since", "date", "since when it waits"),
            ("notes", "string", "notes"),
        ),
        ("uid",),
        {"family": ("families", "code"), "origin": ("origins", "id")},
    ),
    "symptoms_of_cases": (
        (
            _CASE_KEY,
            _POSITION,
            ("name", "string", "symptom that was looked for"),
            ("present", "boolean", "whether it was there"),
        ),
        ("case", "position"),
        {"case": ("cases", "uid"), "name": ("symptoms", "name")},
    ),
    "readings": (
        (
            _CASE_KEY,
            _POSITION,
            ("rail", "string", "rail measured"),
            ("point", "string", "or the test point"),
            ("quantity", "string", "what was measured"),
            ("supply", "string", "state of the supply"),
            ("load", "string", "load"),
            ("value", "number", "value in the SI base unit of the quantity: V, A, Ω, F, Hz; °C for celsius"),
            ("min", "number", "least value the meter recorded, same unit"),
            ("max", "number", "largest value the meter recorded, same unit"),
            ("written", "string", "as it was typed"),
            ("after_repair", "boolean", "whether it was taken after the repair"),
        ),
        ("case", "position"),
        {"case": ("cases", "uid")},
    ),
    "attempts": (
        (
            _CASE_KEY,
            _POSITION,
            ("part", "string", "reference designator"),
            ("part_class", "string", "kind of part"),
            ("section", "string", "functional block"),
            ("failure", "string", "what was wrong with it"),
            ("action", "string", "what was done"),
            ("result", "string", "what came of it"),
            ("cost", "number", "parts, in the shop's currency"),
            ("minutes", "integer", "time at the bench, minutes"),
        ),
        ("case", "position"),
        {"case": ("cases", "uid"), "part_class": ("part_classes", "name")},
    ),
    "follow_ups": (
        (
            _CASE_KEY,
            _POSITION,
            ("date", "date", "day of the news"),
            ("state", "string", "what became of the board"),
            ("note", "string", "note"),
        ),
        ("case", "position"),
        {"case": ("cases", "uid")},
    ),
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
_TABLE_OF = {
    OriginRecord: "origins",
    SymptomRecord: "symptoms",
    PartClassRecord: "part_classes",
    LoadRecord: "loads",
    FamilyRecord: "families",
    CaseRecord: "cases",
}
_PARTS = {
    "families": (("rails", "rails"), ("connectors", "connectors")),
    "cases": (
        ("symptoms", "symptoms_of_cases"),
        ("readings", "readings"),
        ("attempts", "attempts"),
        ("follow_ups", "follow_ups"),
    ),
}


def rows_of(record: Record) -> Iterator[tuple[str, list[Any]]]:
    """(table, row) of a record and of everything that belongs to it."""
    table = _TABLE_OF[type(record)]
    values = dict(record)
    if isinstance(record, FamilyRecord) and record.enable is not None:
        values |= {f"enable_{name}": value for name, value in record.enable}
    yield table, [_cell(values.get(name)) for name, _, _ in TABLES[table][0]]
    key = record.code if isinstance(record, FamilyRecord) else getattr(record, "uid", None)
    for name, part in _PARTS.get(table, ()):
        for position, entry in enumerate(getattr(record, name), start=1):
            cells = [_cell(getattr(entry, field)) for field, _, _ in TABLES[part][0][2:]]
            yield part, [key, position, *cells]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return json.dumps(value, ensure_ascii=False)
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

    def add(self, record: Record) -> None:
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
