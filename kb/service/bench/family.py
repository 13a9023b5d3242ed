"""A board family as the bench computations take it, and the drawing of a step's connector."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from kb.bench.enable import EnableLine
from kb.bench.sequence_types import BenchConnector, BenchFamily, BenchRail, Step
from kb.facts.designators import code_key
from kb.model import FamilyRecord
from kb.service.shop.translate import find_rail, spec_of


@dataclass(frozen=True, slots=True)
class ConnectorDrawing:
    """A connector with what each pin carries and which lead goes on it."""

    name: str
    pins: int
    rows: int
    marks: tuple[tuple[int, str], ...]
    grounds: tuple[int, ...]
    probes: tuple[tuple[int, str], ...]


def bench_family(record: FamilyRecord, good_ohm: Mapping[str, Sequence[float]] | None = None) -> BenchFamily:
    """The family with its rails, connectors and enable line, and what good boards read to ground.

    Raises:
        BadInput: for a rail or an enable line that cannot be, naming it.
    """
    own_names = {code_key(entry.name): entry.name for entry in record.connectors}

    def own(name: str) -> str:
        return own_names.get(code_key(name), name)

    enable = record.enable
    feeding = find_rail(record, enable.from_rail) if enable else None
    return BenchFamily(
        code=record.code,
        rails=tuple(
            BenchRail(spec_of(rail), own(rail.connector), tuple(rail.pins), tuple(rail.ground_pins))
            for rail in record.rails
        ),
        connectors=tuple(BenchConnector(entry.name, entry.pins, entry.rows) for entry in record.connectors),
        enable=EnableLine(
            own(enable.connector),
            enable.pin,
            feeding.name if feeding else enable.from_rail,
            enable.active,
            enable.resistor_ohm,
        )
        if enable
        else None,
        mains_v=record.mains_v,
        bulk_v=record.bulk_v,
        bulk_uf=record.bulk_uf,
        fuse=record.fuse,
        kind=record.kind,
        isolated=record.isolated,
        switch=record.switch,
        good_ohm={name: tuple(values) for name, values in (good_ohm or {}).items()},
    )


def drawing(record: FamilyRecord, step: Step) -> ConnectorDrawing | None:
    """The step's connector with the leads named on their pins, None where no connector is known."""
    picture = step.picture
    if picture is None:
        return None
    known = next((entry for entry in record.connectors if entry.name == picture.name), None)
    marks = []
    for pin in picture.pins:
        if pin.lead:
            marks.append((pin.number, f"{pin.lead.upper()} {pin.net}".strip()))
        elif pin.net and pin.net != "ground":
            marks.append((pin.number, pin.net))
    return ConnectorDrawing(
        picture.name,
        len(picture.pins),
        known.rows if known else 1,
        tuple(marks),
        tuple(pin.number for pin in picture.pins if pin.net == "ground" and not pin.lead),
        tuple((pin.number, pin.lead) for pin in picture.pins if pin.lead),
    )
