"""Plan dummy loads for one rail or for all rails at once from what is on the shelf.

Derating of resistors to 60 % is common practice with no published source; lamps are made to burn at their rating. The
switch-on range of cold filaments: see `loads`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kb.bench.checks import amps as amps_text
from kb.bench.checks import finite, number, positive, volts, watts
from kb.bench.load_blocks import (
    Block,
    Candidates,
    combinations,
    electronic_limit,
    most_rows,
    only,
    usable_blocks,
)
from kb.bench.load_search import Wishes, choices, choose_first, shared_bases
from kb.bench.loads import Load
from kb.errors import BadInput

DERATING = 0.6
WITHIN = 0.10
# A rail loaded a little over its rating for the minutes of a test survives; more trips its protection.
_MOST_OF_RATED = 1.1
_MOST_RAILS = 24


@dataclass(frozen=True, slots=True)
class RailTarget:
    """Current wanted from one rail. `start_a` is what the rail can start with, by default its rating;
    `needs_load` says that it cycles with nothing connected."""

    rail: str
    volts: float
    amps: float
    rated_a: float | None = None
    start_a: float | None = None
    needs_load: bool = False


@dataclass(frozen=True, slots=True)
class PlanElement:
    """`parallel` strings of `series` equal loads; the `_each` figures are for one load of a string."""

    load: str
    series: int
    parallel: int
    volts_each: float
    amps_each: float
    watts_each: float


@dataclass(frozen=True, slots=True)
class RailPlan:
    """What to connect to one rail, and what it draws.

    `cold_low_a` to `cold_high_a` is the switch-on range; `rated_fraction` is the share of the rail's
    rating that is reached, None where no rating is known.
    """

    rail: str
    volts: float
    target_a: float
    amps: float
    watts: float
    elements: tuple[PlanElement, ...]
    cold_low_a: float
    cold_high_a: float
    rated_fraction: float | None
    within_target: bool
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LoadPlan:
    """Plans in the order of the targets, the total power in watts, and whether no better plan exists."""

    plans: tuple[RailPlan, ...]
    total_w: float
    proved: bool
    notes: tuple[str, ...]


def plan_loads(
    targets: Sequence[RailTarget],
    inventory: Sequence[Load],
    *,
    derating: float = DERATING,
    within: float = WITHIN,
    label_w: float | None = None,
    wishes: Wishes | None = None,
) -> LoadPlan:
    """Series and parallel combinations that meet every target, no load used twice.

    `wishes` pins loads to rails, leaves loads on the shelf, and names the rails that get the best there is before
    the others. Filaments of one lamp are never used at the same time.

    Of all plans with at most three elements per rail the one is taken that misses the fewest targets,
    misses them by least, strains the fewest lamps and rails (lamps burning hard, rails starting cold
    filaments), needs the fewest loads and lies nearest, in this order.

    Raises:
        BadInput: for a target without volts or amperes, two targets for one rail, or no targets.
    """
    _check(targets, derating, within, label_w)
    wanted = wishes or Wishes()
    inventory = [load for load in inventory if load.name not in wanted.without]
    bases, lamps = shared_bases([load.base for load in inventory], [load.count for load in inventory])
    found: list[tuple[list[Block], Candidates]] = []
    whole = True
    ranked = []
    most_of_each = most_rows(len(inventory), len(targets))
    for target in targets:
        across = abs(target.volts)
        most = float("inf") if target.rated_a is None else target.rated_a * _MOST_OF_RATED
        enough = target.amps * (1 - within)
        blocks, whole_shelf = usable_blocks(inventory, across, enough, derating, most_of_each)
        own = _pinned(inventory, target.rail, wanted)
        blocks.sort(key=lambda block: block.load not in own)
        candidates = combinations(
            inventory, blocks, across, target.amps, enough, derating, most_of_each, wanted=own
        )
        buildable = (candidates.usage @ bases <= np.array(lamps, dtype=np.int16)).all(axis=1)
        candidates = only(candidates, buildable & _as_pinned(candidates, inventory, target.rail, wanted))
        found.append((blocks, candidates))
        whole = whole and whole_shelf
        best = choices(
            candidates, across, target.amps, within, most, _start_limit(target), label_w is not None
        )
        ranked.append(replace(best, usage=np.hstack([best.usage, best.usage @ bases])))
    names = [target.rail for target in targets]
    first = [names.index(name) for name in dict.fromkeys(wanted.first) if name in names]
    counts = [*(load.count for load in inventory), *lamps]
    picked, proved = choose_first(ranked, counts, label_w, first)
    proved = proved and whole
    plans = tuple(
        _rail_plan(target, inventory, blocks, candidates, row, within, derating)
        for target, (blocks, candidates), row in zip(targets, found, picked, strict=True)
    )
    plans = tuple(_say_unpinned(plan, plans, inventory, wanted) for plan in plans)
    return LoadPlan(
        plans, sum(plan.watts for plan in plans), proved, _notes(inventory, plans, label_w, proved)
    )


def _pinned(inventory: Sequence[Load], rail: str, wishes: Wishes) -> frozenset[int]:
    """The places in the inventory of the loads that are pinned to a rail."""
    names = wishes.pinned.get(rail, frozenset())
    return frozenset(place for place, load in enumerate(inventory) if load.name in names)


def _as_pinned(found: Candidates, inventory: Sequence[Load], rail: str, wishes: Wishes) -> NDArray[np.bool_]:
    """True for the combinations that leave loads pinned to other rails alone and use those pinned to this one.

    The empty combination stays, so that there is always an answer.
    """
    empty = found.usage.sum(axis=1) == 0
    elsewhere = {name for other, names in wishes.pinned.items() if other != rail for name in names}
    own = wishes.pinned.get(rail, frozenset())
    keep = np.ones(len(found.usage), dtype=bool)
    for column, load in enumerate(inventory):
        if load.name in elsewhere and load.name not in own:
            keep &= found.usage[:, column] == 0
        if load.name in own:
            keep &= found.usage[:, column] > 0
    return keep | empty


def _say_unpinned(
    plan: RailPlan, plans: Sequence[RailPlan], inventory: Sequence[Load], wishes: Wishes
) -> RailPlan:
    """The plan, with the reason where a load that is pinned to its rail could not be put on it."""
    on_it = {element.load for element in plan.elements}
    missing = [
        load
        for load in inventory
        if load.name in wishes.pinned.get(plan.rail, frozenset()) and load.name not in on_it
    ]
    base_of = {load.name: load.base for load in inventory if load.base}
    said = []
    for load in missing:
        taken_by = [
            f"{other.rail} ({element.load})"
            for other in plans
            for element in other.elements
            if load.base and other is not plan and base_of.get(element.load) == load.base
        ]
        if taken_by:
            said.append(
                f"{load.name} is pinned to {plan.rail} but its lamps are in use on {', '.join(taken_by)}: the two "
                "filaments of a lamp share one end and go on one rail. Pin fewer lamps there, or use other loads."
            )
        else:
            said.append(
                f"{load.name} is pinned to {plan.rail} but no combination with it comes near "
                f"{amps_text(plan.target_a)}: unpin it, or ask for another current."
            )
    # The reason takes the place of the general sentence about a missed target, which stands first.
    kept = plan.warnings if plan.within_target else plan.warnings[1:]
    return replace(plan, warnings=(*said, *kept)) if said else plan


def _check(targets: Sequence[RailTarget], derating: float, within: float, label_w: float | None) -> None:
    if not targets:
        raise BadInput(
            "No rail was given.", field="targets", remedy="Give at least one rail and its amperes."
        )
    if len(targets) > _MOST_RAILS:
        raise BadInput(
            f"More than {_MOST_RAILS} rails were given.", field="targets", remedy="Plan them in parts."
        )
    names = [target.rail for target in targets]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise BadInput(
            f"{twice} was given twice.",
            field="targets",
            remedy="Give each rail once, with its whole current.",
        )
    for target in targets:
        finite(target.volts, "volts", f"the voltage of {target.rail}")
        if target.volts == 0:
            raise BadInput(
                f"The rail {target.rail} cannot have 0 V.", field="volts", remedy="Type its nominal voltage."
            )
        positive(target.amps, "amps", f"the current wanted from {target.rail}", "Type amperes, such as 3.")
        for field in ("rated_a", "start_a"):
            given = getattr(target, field)
            if given is not None:
                remedy = "Type amperes, or leave it empty if it is not known."
                positive(given, field, f"the current rating of {target.rail}", remedy)
    if not 0 < derating <= 1:
        raise BadInput(
            "The derating must lie between 0 and 1.", field="derating", remedy="Use 0.6 for 60 per cent."
        )
    if not 0 < within < 1:
        raise BadInput(
            "The margin must lie between 0 and 1.", field="within", remedy="Use 0.1 for 10 per cent."
        )
    if label_w is not None:
        positive(label_w, "label_w", "the board's total power", "Type the watts on its label.")


def _rail_plan(
    target: RailTarget,
    inventory: Sequence[Load],
    blocks: Sequence[Block],
    candidates: Candidates,
    row: int,
    within: float,
    derating: float,
) -> RailPlan:
    across = abs(target.volts)
    taken = [blocks[number] for number in candidates.rows[row] if number >= 0]
    elements = [
        PlanElement(
            inventory[block.load].name,
            block.series,
            block.parallel,
            across / block.series,
            block.amps / block.parallel,
            block.amps / block.parallel * across / block.series,
        )
        for block in taken
    ]
    electronic = int(candidates.electronic[row])
    set_a = float(candidates.electronic_a[row])
    if electronic >= 0:
        elements.append(PlanElement(inventory[electronic].name, 1, 1, across, set_a, set_a * across))
    total_a = float(candidates.amps[row])
    cold_low = sum(block.cold_low_a for block in taken) + set_a
    cold_high = sum(block.cold_high_a for block in taken) + set_a
    hit = abs(total_a - target.amps) <= within * target.amps * (1 + 1e-9)
    warnings = [] if hit else [_why_missed(target, inventory, blocks, candidates, total_a, within, derating)]
    warnings += _inrush_warnings(target, inventory, taken, cold_low, cold_high)
    warnings += _heat_warnings(target, inventory, taken, total_a, derating)
    fraction = None if target.rated_a is None else total_a / target.rated_a
    return RailPlan(
        target.rail,
        target.volts,
        target.amps,
        total_a,
        total_a * across,
        tuple(elements),
        cold_low,
        cold_high,
        fraction,
        hit,
        tuple(warnings),
    )


def _why_missed(
    target: RailTarget,
    inventory: Sequence[Load],
    blocks: Sequence[Block],
    candidates: Candidates,
    total_a: float,
    within: float,
    derating: float,
) -> str:
    wanted = f"{amps_text(target.amps)} on {target.rail}"
    across = abs(target.volts)
    if not blocks and not any(electronic_limit(load, across, derating) > 0 for load in inventory):
        return (
            f"No load on the shelf may stand across {volts(across)}: each would pass its voltage or "
            f"{number(derating * 100, 0)} % of its watts."
        )
    nearest = f"The nearest to {wanted} is {amps_text(total_a)}"
    distance = abs(candidates.amps - target.amps)
    if bool((distance <= within * target.amps).any()):
        return (
            f"{nearest}: the loads that would fit are taken by other rails or pass the board's total power."
        )
    most = float(candidates.amps.max())
    if most < target.amps:
        return f"{nearest}: all suitable loads together draw no more than {amps_text(most)}."
    return f"{nearest}: no combination of the loads comes closer."


def _start_limit(target: RailTarget) -> float:
    return target.start_a or target.rated_a or target.amps


def _inrush_warnings(
    target: RailTarget, inventory: Sequence[Load], taken: Sequence[Block], cold_low: float, cold_high: float
) -> list[str]:
    if not any(inventory[block.load].kind == "lamp" for block in taken):
        return []
    limit = _start_limit(target)
    if cold_high <= limit:
        return []
    known = "can start with" if target.start_a or target.rated_a else "is asked for"
    alone = "; never start it unloaded, where it cycles" if target.needs_load else ""
    return [
        f"Cold filaments draw about {amps_text(cold_low)} to {amps_text(cold_high)} from {target.rail}, "
        f"more than the {amps_text(limit)} it {known}: preheat the lamps from another supply, start with one and add "
        "others with the power off in between, put more filaments in series, or a resistor or an inrush thermistor, "
        f"or use resistors or an electronic load for the starts{alone}."
    ]


def _heat_warnings(
    target: RailTarget, inventory: Sequence[Load], taken: Sequence[Block], total_a: float, derating: float
) -> list[str]:
    warnings = []
    strained = sorted({inventory[block.load].name for block in taken if block.strained})
    if strained:
        warnings.append(
            f"{', '.join(strained)} burns above {number(derating * 100, 0)} % of its watts but within its "
            "rating: keep the time short and the glass clear of everything."
        )
    strung = sorted(
        {inventory[block.load].name for block in taken if block.series > 1 and inventory[block.load].base}
    )
    if strung:
        warnings.append(
            f"{', '.join(strung)}: in series the shared ends of two-filament lamps stand at different voltages, so "
            "their holders must not touch one another, nor a common plate."
        )
    hottest = max((block.watts / block.units for block in taken), default=0.0)
    if hottest >= 2:
        warnings.append(f"Each load gives off up to {watts(hottest)}: hot enough to burn skin and bench.")
    if target.rated_a is not None and total_a > target.rated_a * (1 + 1e-9):
        warnings.append(
            f"{amps_text(total_a)} is more than the {amps_text(target.rated_a)} {target.rail} is rated for."
        )
    return warnings


def _notes(
    inventory: Sequence[Load], plans: Sequence[RailPlan], label_w: float | None, proved: bool
) -> tuple[str, ...]:
    notes = [
        f"{load.name} is left out: its rated watts are not known."
        for load in inventory
        if load.rated_w is None
    ]
    if label_w is not None:
        total = sum(plan.watts for plan in plans)
        notes.append(f"All rails together draw {watts(total)} of the {watts(label_w)} on the board's label.")
    if not proved:
        notes.append("The shelf allows too many combinations to compare them all: a better plan may exist.")
    return tuple(notes)
