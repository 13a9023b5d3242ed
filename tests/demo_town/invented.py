"""Further families for stores larger than the hand-written world: variations on its archetypes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from demo_town.dice import Dice
from demo_town.family import Family
from demo_town.weak_points import WEAK_POINTS, WeakPoint
from demo_town.world import FAMILIES

_LETTERS = "BCDFGHJKLMNPQRSTVWXZ"


def _code(index: int) -> str:
    """A code of its own for every index: three letters and three digits."""
    group, number = divmod(index, 900)
    letters = "".join(_LETTERS[place % 20] for place in (7 * index + group, index // 20 + 3, group))
    return f"{letters}-{100 + number}"


def _renumbered(part: str, shift: int) -> str:
    letters = part.rstrip("0123456789")
    return f"{letters}{int(part[len(letters) :]) + shift}"


def _variation(base: Family, index: int, dice: Dice) -> tuple[Family, tuple[WeakPoint, ...]]:
    code = _code(index)
    shift = 100 * dice.whole(0, 8) + dice.whole(0, 40)
    points = tuple(
        replace(point, part=_renumbered(point.part, shift), weight=point.weight * dice.between(0.45, 1.6))
        for point in WEAK_POINTS[base.code]
    )
    family = replace(
        base,
        code=code,
        aliases=(f"{code.replace('-', '')}/{dice.whole(1, 4)}",),
        notes=f"Much like {base.code}, other layout. {base.notes}",
        archetype=base.code,
        share=base.share * dice.between(0.3, 1.5),
    )
    return family, points


def families_with_weak_points(count: int, dice: Dice) -> Iterator[tuple[Family, tuple[WeakPoint, ...]]]:
    """The hand-written families first, then variations on them, up to `count`."""
    for index in range(count):
        base = FAMILIES[index % len(FAMILIES)]
        if index < len(FAMILIES):
            yield base, WEAK_POINTS[base.code]
        else:
            yield _variation(base, index, dice)
