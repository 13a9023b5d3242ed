"""Whether a repair is worth it, in words: what to do, why, and what the figures rest on."""

from __future__ import annotations

from dataclasses import dataclass

from kb.service.shop.shop import Shop
from kb.suggest import Ranking
from kb.suggest.worth import NINE_OF_TEN, Worth, worth

__all__ = ["NINE_OF_TEN", "Verdict", "Worth", "worth_of"]

_TITLES = {
    "repair": "Repair it",
    "offer": "Offer it, with a ceiling",
    "decline": "A replacement costs less",
    "find out more": "Find out more first",
}
_ALIKE = 0.01


@dataclass(frozen=True, slots=True)
class Verdict:
    """`title` says what to do and `why` the reason; `basis` what the figures take for granted, as sentences.

    `comes_to` is what the list comes to on average, with a replacement for what it does not cure where one has a
    price; `other_order` the same in the other order, None where nothing is tried.
    """

    worth: Worth
    title: str
    why: str
    basis: tuple[str, ...]
    comes_to: float
    other_order: float | None = None


def worth_of(
    shop: Shop,
    ranking: Ranking,
    *,
    hourly_rate: float | None = None,
    replacement_price: float | None = None,
    other: Ranking | None = None,
    price_field: str = "under What counts",
) -> Verdict | None:
    """The verdict on a ranking made at this hourly rate (the shop's own where none is given); None where it lists
    nothing. `other` is the same ranking in the other order; `price_field` says where a replacement price is entered."""
    rate = shop.settings.bench_rate_per_hour if hourly_rate is None else hourly_rate
    found = worth(ranking, rate, replacement_price)
    if found is None:
        return None
    words = _Words(shop.settings.currency, price_field)
    title = _TITLES[found.advice] if found.advice else "What a repair costs"
    return Verdict(
        found, title, words.why(found), words.basis(found), _comes_to(found), _other_order(found, other)
    )


def _other_order(found: Worth, other: Ranking | None) -> float | None:
    if other is None or found.advice in ("decline", "find out more"):
        return None
    beside = worth(other, found.hourly_rate, found.replacement_price)
    if beside is None:
        return None
    mine, theirs = _comes_to(found), _comes_to(beside)
    return mine if abs(theirs - mine) <= _ALIKE * max(mine, theirs) else theirs


def _comes_to(found: Worth) -> float:
    return found.cost.mean if found.with_replacement is None else found.with_replacement


class _Words:
    def __init__(self, currency: str, price_field: str) -> None:
        self._currency, self._price_field = currency, price_field

    def money(self, amount: float) -> str:
        return f"{amount:.{0 if amount >= 10 else 2}f}\N{NO-BREAK SPACE}{self._currency}"

    def _exact(self, amount: float) -> str:
        """An amount that was given, to the last digit."""
        return f"{amount:.2f}".removesuffix(".00") + f"\N{NO-BREAK SPACE}{self._currency}"

    def why(self, found: Worth) -> str:
        price, cured = found.replacement_price, found.cost.chance_of_cure
        first = (
            "The first fix of the list" if found.tries == 1 else f"The first {found.tries} fixes of the list"
        )
        cure = "cures" if found.tries == 1 else "cure"
        if found.advice == "find out more":
            return (
                f"Too many causes are still possible: {first[0].lower()}{first[1:]} {cure} only {_of_100(cured)} "
                f"such boards, and together cost {self.money(found.cost.given_up_cost)}. Each symptom and each "
                "reading shortens the list."
            )
        if price is None or found.with_replacement is None or found.least_trying is None:
            return (
                f"{first} {cure} {_of_100(cured)} such boards. What a replacement costs, entered {self._price_field}, "
                "says whether that is worth it."
            )
        if found.advice == "decline":
            return (
                f"Trying the list and replacing what it does not cure comes to {self.money(found.least_trying)} a "
                f"board on average, replacing at once to {self._exact(price)}."
            )
        cures = (
            f"{first} {cure} {_of_100(found.cured_for_less or 0.0)} such boards for no more than a replacement "
            f"at {self._exact(price)}. With a replacement for the others that comes to "
            f"{self.money(found.with_replacement)} a board on average, "
            f"{self.money(price - found.with_replacement)} less than replacing at once."
        )
        if found.advice == "repair":
            return cures
        together = "it costs" if found.tries == 1 else f"together the {found.tries} cost"
        return (
            f"{cures} Agree first on how much may be spent: {together} {self.money(found.cost.given_up_cost)}, "
            "cured or not."
        )

    def basis(self, found: Worth) -> tuple[str, ...]:
        hour = (
            f"Bench time at {self._exact(found.hourly_rate)} an hour."
            if found.hourly_rate
            else "Bench time is free."
        )
        said = [
            f"{hour} Counted are the parts and minutes of the fixes "
            "themselves; measuring between them and the bench test are not, nor what was spent on this board before."
        ]
        tries = "the one fix" if found.tries == 1 else f"the {found.tries} fixes"
        if found.parts_unknown:
            said.append(
                f"For {_how_many(found.parts_unknown, found.tries, tries)} no cost of parts is on record: "
                f"{self._exact(found.parts_taken or 0.0)} is taken{_each(found.parts_unknown)}."
            )
        if found.minutes_unknown and found.hourly_rate:
            said.append(
                f"For {_how_many(found.minutes_unknown, found.tries, tries)} no time is on record: "
                f"{found.minutes_taken or 0.0:.0f} minutes are taken{_each(found.minutes_unknown)}."
            )
        return tuple(said)


def _how_many(count: int, tries: int, whole: str) -> str:
    return whole if count == tries else f"{count} of {whole}"


def _each(count: int) -> str:
    return " for each" if count > 1 else ""


def _of_100(share: float) -> str:
    """A share of boards as people say it; never none or all for what is neither."""
    if 0.0 < share < 0.01:
        return "fewer than 1 in 100"
    if 0.99 < share < 1.0:
        return "more than 99 in 100"
    return f"{round(share * 100)} in 100"
