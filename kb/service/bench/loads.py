"""The bench's own loads: the shelf, and what to connect to which rail."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from kb.bench.load_plan import DERATING, LoadPlan, PlanElement, RailPlan, RailTarget, plan_loads
from kb.bench.load_search import Wishes
from kb.bench.loads import Load, amps_at, cold_amps_at
from kb.bench.rail_types import PRIMARY_ROLES, is_input
from kb.errors import BadInput, NotFound
from kb.model import FamilyRecord, LoadRecord
from kb.service.boards import vocabulary
from kb.service.shop.shop import Shop
from kb.service.shop.translate import find_rail
from kb.store.records import bins

__all__ = [
    "DERATING",
    "PRIMARY_ROLES",
    "LoadPlan",
    "PlanElement",
    "RailPlan",
    "RailTarget",
    "ShelfLine",
    "Wishes",
    "family_targets",
    "find",
    "outputs",
    "plan",
    "remove",
    "save",
    "shelf",
    "spoken",
]

# Volts at which the shelf says what each load draws: the usual rails of a board.
SHELF_VOLTS = (3.3, 5.0, 12.0, 24.0)


@dataclass(frozen=True, slots=True)
class ShelfLine:
    """One load with what it draws: (volts, hot amperes, highest cold amperes) where it may stand.

    `trouble` says why nothing can be computed with a load that an earlier program or another shop noted.
    """

    record: LoadRecord
    draws: tuple[tuple[float, float, float], ...]
    trouble: str = ""


def _bench_load(record: LoadRecord) -> Load:
    return Load(
        name=record.name,
        kind=record.kind,
        points=tuple((point[0], point[1]) for point in record.points),
        max_w=record.max_w,
        count=record.count,
        ohm=record.ohm,
        tolerance_pct=record.tolerance_pct,
        max_v=record.max_v,
        max_a=record.max_a,
        base=record.base,
    )


def shelf(shop: Shop) -> tuple[ShelfLine, ...]:
    """Every load with what one of it draws at the usual rail voltages, its rating allowing."""
    lines = []
    for record in vocabulary.loads(shop):
        try:
            load = _bench_load(record)
        except BadInput as error:
            lines.append(ShelfLine(record, (), error.message))
            continue
        draws = []
        for volts in SHELF_VOLTS:
            amps = amps_at(load, volts)
            fits = volts <= load.rated_v and (load.rated_w is None or amps * volts <= load.rated_w)
            if amps and fits and record.kind != "electronic":
                draws.append((volts, amps, cold_amps_at(load, volts)[1]))
        lines.append(ShelfLine(record, tuple(draws)))
    return tuple(lines)


def find(shop: Shop, name: str) -> LoadRecord:
    """One load by its name. Raises NotFound."""
    for record in vocabulary.loads(shop):
        if record.name.casefold() == name.casefold():
            return record
    raise NotFound(f"There is no load named {name}.", field="load", remedy="Choose one from the list.")


def save(shop: Shop, record: LoadRecord, *, expected_version: int | None = None) -> str:
    """Adds or replaces a load: "added", "updated" or "unchanged".

    Raises BadInput for what draws nothing, and what `words.save` raises.
    """
    _bench_load(record)
    return vocabulary.save(shop, record, expected_version=expected_version)


def remove(shop: Shop, name: str, *, expected_version: int | None = None) -> None:
    """Puts a load in the bin, such as a lamp that burnt out. Raises NotFound, Conflict."""
    find(shop, name)
    with shop.write() as session:
        bins.put(session, "load", name, expected_version=expected_version)
    shop.refresh()


def outputs(family: FamilyRecord) -> list[RailTarget]:
    """The rails of a family that can be loaded, each with its rated current (or 1 A where none is known)."""
    return [
        RailTarget(rail.name, rail.nominal_v, rail.rated_a or 1.0, rail.rated_a)
        for rail in family.rails
        if rail.role not in PRIMARY_ROLES and not is_input(rail.name)
    ]


def family_targets(family: FamilyRecord, share: float) -> list[RailTarget]:
    """A target of `share` (0 to 1) of its rating for every output rail whose rating is known."""
    return [
        RailTarget(target.rail, target.volts, target.amps * share, target.rated_a)
        for target in outputs(family)
        if target.rated_a is not None
    ]


def target(family: FamilyRecord | None, rail: str | None, volts: float | None, amps: float) -> RailTarget:
    """A target as a person names it: by rail of a family, or by volts alone.

    Raises:
        BadInput: when neither is given, or the family has no such rail.
    """
    if rail is None:
        if volts is None:
            raise BadInput(
                "A target names neither a rail nor volts.", field="targets", remedy="Give a rail or volts."
            )
        return RailTarget(f"{volts:g} V", volts, amps)
    found = find_rail(family, rail)
    if found is None:
        if volts is not None:
            return RailTarget(rail, volts, amps)
        owner = f"Family {family.code} has" if family else "Without a family there is"
        raise BadInput(
            f"{owner} no rail {rail}.", field="rail", remedy="Name one of its rails, or give volts."
        )
    return RailTarget(found.name, found.nominal_v, amps, found.rated_a)


def plan(
    shop: Shop,
    targets: Sequence[RailTarget],
    *,
    shelf_of: Sequence[LoadRecord] | None = None,
    label_w: float | None = None,
    wishes: Wishes | None = None,
) -> LoadPlan:
    """What to connect to each rail, no load used twice. Raises BadInput.

    Without `wishes` the rail with the most rated power gets the best there is before the others.
    """
    if wishes is None:
        rated = [one for one in targets if one.rated_a is not None]
        leading = max(rated, key=lambda one: abs(one.volts) * (one.rated_a or 0.0), default=None)
        wishes = Wishes() if leading is None else Wishes(first=(leading.rail,))
    records = vocabulary.loads(shop) if shelf_of is None else shelf_of
    usable, notes = [], []
    for record in records:
        try:
            usable.append(_bench_load(record))
        except BadInput as error:
            if shelf_of is not None:
                raise
            notes.append(f"{record.name} is left out: {error.message}")
    wishes = _as_named(wishes, [one.rail for one in targets], [one.name for one in records])
    found = plan_loads(targets, usable, label_w=label_w, wishes=wishes)
    return replace(found, notes=(*found.notes, *notes))


def _as_named(wishes: Wishes, rails: Sequence[str], shelf_names: Sequence[str]) -> Wishes:
    """The wishes with rails and loads as they are spelt.

    Raises:
        BadInput: for a rail that is not planned, a load that is not on the shelf, one that is pinned to two rails,
            and one that is pinned and left on the shelf.
    """
    rail_of = {name.casefold(): name for name in rails}
    load_of = {name.casefold(): name for name in shelf_names}

    def rail(name: str) -> str:
        if name.casefold() not in rail_of:
            raise BadInput(
                f"{name} is none of the rails that are planned.",
                field="first",
                remedy=f"Name one of them: {', '.join(rails)}.",
            )
        return rail_of[name.casefold()]

    def loads_named(names: Iterable[str], field: str) -> frozenset[str]:
        unknown = next((name for name in names if name.casefold() not in load_of), None)
        if unknown is not None:
            raise BadInput(
                f"There is no load named {unknown} on the shelf.",
                field=field,
                remedy="Choose one from the list, or put it on the shelf first.",
            )
        return frozenset(load_of[name.casefold()] for name in names)

    pinned = {
        rail_of.get(name.casefold(), name): loads_named(names, "pinned")
        for name, names in wishes.pinned.items()
    }
    without = loads_named(wishes.without, "without")
    placed = [name for names in pinned.values() for name in names]
    for name in sorted(placed):
        if placed.count(name) > 1:
            raise BadInput(f"{name} is pinned to two rails.", field="pinned", remedy="Pin it to one of them.")
        if name in without:
            raise BadInput(
                f"{name} is pinned to a rail and left on the shelf.",
                field="without",
                remedy="Take it out of one of the two fields.",
            )
    return Wishes(tuple(rail(name) for name in wishes.first), pinned, without)


def as_typed(shop: Shop, plans: Iterable[RailPlan]) -> list[dict[str, str]]:
    """Plans of rails as the loads of a bench test are typed; a rail for which nothing fits has none."""
    kinds = {record.name: record.kind for record in vocabulary.loads(shop)}
    return [
        {
            "rail": plan.rail,
            "amps": f"{plan.amps:.3g} A",
            "what": " and ".join(spoken(element) for element in plan.elements)[:200],
            "kind": _nature(plan, kinds),
            "warnings": " ".join(plan.warnings)[:2000],
        }
        for plan in plans
        if plan.elements
    ]


def _nature(plan: RailPlan, kinds: Mapping[str, str]) -> str:
    """What a plan of one rail is made of: resistor, lamp, electronic, mixed, or "" where it is empty."""
    found = {kinds[element.load] for element in plan.elements if element.load in kinds}
    return "mixed" if len(found) > 1 else next(iter(found), "")


def spoken(element: PlanElement) -> str:
    """One part of a plan in words: "2 × lamp 21 W filament in series, 3 such strings side by side"."""
    if element.series == 1 and element.parallel == 1:
        return element.load
    if element.series == 1:
        return f"{element.parallel} × {element.load} side by side"
    string = f"{element.series} × {element.load} in series"
    return string if element.parallel == 1 else f"{string}, {element.parallel} such strings side by side"
