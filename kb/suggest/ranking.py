"""The ranking of causes: what to try first on a board, how likely it is, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import islice
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from kb.suggest.facts_of_case import Evidence
from kb.suggest.fix_records import FixFigures, counted_names, fix_figures, mean_cost, mean_minutes
from kb.suggest.intervals import jeffreys
from kb.suggest.ledger import Ledger
from kb.suggest.memo import kept
from kb.suggest.opinions import catalogue_shares
from kb.suggest.pooled_counts import counted, own_of
from kb.suggest.posterior import TRIED, Posterior, of_patterns, posterior
from kb.suggest.questions import Floats
from kb.suggest.repair_order import StopPoint, best_stop, cheapest_first, expected_cost_of
from kb.suggest.settings import Settings
from kb.suggest.tally import Tally
from kb.suggest.two_faults import WORTH_TELLING, TwoFaults, two_faults

Order = Literal["likely", "cheapest"]

UIDS_SHOWN = 20
_SAYS_LITTLE = 0.1  # a weight below this moves the odds by less than a tenth


@dataclass(frozen=True, slots=True)
class Weight:
    """One line of evidence for or against a cause.

    `weight` is the tempered log likelihood ratio against the mixture of all other causes: it is added
    to the cause's log odds. `line` names the evidence, `label` says it as a sentence would.
    """

    label: str
    weight: float
    line: str


@dataclass(frozen=True, slots=True)
class Cause:
    """One ranked fault.

    `probability` with the evidence, `prior_probability` without; `tried`, `cured` and `interval` (95 % Jeffreys)
    over all boards, `family_tried` and `family_cured` within the family; `cure_rate` is the chance that the fix
    cures when this is the fault (`kb.suggest.attempts`), `chance_of_cure` = probability x cure_rate; `cost` and
    `minutes` are means as recorded (family first), None when unknown. All of these are the shop's own, while
    `others_cases`, `others_tried`, `others_cured` and `others_uids` are what other shops recorded, and names, cost
    and time are theirs where the shop has none of its own. `money_per_try` is what a try is expected to cost,
    parts and bench time, with the general figure where nothing is recorded; `general_practice`, 0 to 1, is the share
    of what is said that rests on general knowledge and not on cases.
    """

    section: str
    part_class: str
    probability: float
    prior_probability: float
    cases: int
    family_cases: int
    tried: int
    cured: int
    family_tried: int
    family_cured: int
    cure_rate: float
    interval: tuple[float, float]
    chance_of_cure: float
    parts: tuple[tuple[str, int], ...]
    failures: tuple[str, ...]
    cost: float | None
    minutes: float | None
    money_per_try: float
    minutes_per_try: float
    evidence: tuple[Weight, ...]
    case_uids: tuple[str, ...]
    others_cases: int
    others_tried: int
    others_cured: int
    others_uids: tuple[str, ...]
    general_practice: float


@dataclass(frozen=True, slots=True)
class Ranking:
    """The answer. Probabilities of `causes`, `rest_probability` (causes left out by a limit) and
    `unseen_probability` sum to 1.

    `basis` names the closest level with cases: "family", "kind", "all boards", or "nothing" for an empty
    ledger; `family_cases`, `kind_cases` and `cases_used` count the shop's own cases with a known fault behind
    each level, `others_used` those of other shops, each of which counted `others_weight`. `expected_cost`
    and `expected_minutes` are those of following the listed causes in order. `two_faults_probability` is a
    figure of its own beside the causes, and `two_faults` the likeliest pair where it is above three in ten.
    """

    causes: tuple[Cause, ...]
    unseen_probability: float
    rest_probability: float
    cases_used: int
    kind_cases: int
    family_cases: int
    basis: str
    evidence_strength: float
    ignored: tuple[str, ...]
    order: Order
    expected_cost: float
    expected_minutes: float
    others_used: int
    others_weight: float
    two_faults_probability: float
    two_faults: TwoFaults | None


def rank(
    ledger: Ledger,
    evidence: Evidence,
    settings: Settings | None = None,
    *,
    order: Order = "likely",
    limit: int | None = None,
    explained: int | None = None,
) -> Ranking:
    """Rank all known faults for a board; only the first `explained` carry their evidence and the uids of cases.

    "likely" orders by the chance that the fix cures this board, "cheapest" by that chance over the
    expected cost of trying. Raises BadInput when the evidence contradicts itself, ValueError for an
    unknown order. An empty ledger gives no causes and an unseen probability of 1.
    """
    settings = settings or Settings()
    if order not in ("likely", "cheapest"):
        raise ValueError(f"order must be likely or cheapest, not {order!r}")
    found = posterior(ledger, evidence, settings)
    ledger = counted(ledger, settings)
    figures = _figures(ledger, found, settings)
    cures = found.probability * found.cures
    places = _in_order(ledger, found.faults, cures, figures, order)
    shown = places[:limit]
    causes = _causes(ledger, found, figures, shown, explained, settings)
    own = own_of(ledger)
    family_cases = int(own.family_cases.view[found.family]) if found.family >= 0 else 0
    kind_cases = int(own.kind_fault.view[found.kind].sum()) if found.kind >= 0 else 0
    others = ledger.others if own is not ledger else None
    pair = two_faults(ledger, found)
    return Ranking(
        causes,
        found.unseen,
        max(0.0, float(found.probability.sum() - found.probability[shown].sum()))
        if limit is not None
        else 0.0,
        own.known,
        kind_cases,
        family_cases,
        _basis(ledger, found),
        settings.effective_strength,
        found.ignored,
        order,
        expected_cost_of(cures[shown], figures.money[shown]),
        expected_cost_of(cures[shown], figures.minutes[shown]),
        others.known if others else 0,
        settings.others_weight if others else 0.0,
        pair.probability if pair is not None else 0.0,
        pair if pair is not None and pair.probability > WORTH_TELLING else None,
    )


def expected_cost(ranking: Ranking, if_not_cured: float = 0.0) -> float:
    """Expected money for following the ranking's list until the board is cured, parts and bench time."""
    return expected_cost_of(*_chances_and(ranking, "money_per_try"), if_not_cured)


def expected_minutes(ranking: Ranking, if_not_cured: float = 0.0) -> float:
    """Expected minutes for following the ranking's list until the board is cured."""
    return expected_cost_of(*_chances_and(ranking, "minutes_per_try"), if_not_cured)


def stop_point(ranking: Ranking, replacement_price: float) -> StopPoint:
    """How far down the list trying pays against a replacement at this price."""
    return best_stop(*_chances_and(ranking, "money_per_try"), replacement_price)


def reordered(ranking: Ranking, order: Order) -> Ranking:
    """The listed causes in one order or the other, as `rank` lists them."""
    named = sorted(ranking.causes, key=lambda cause: (cause.section, cause.part_class))
    places = _listed(
        np.array([cause.chance_of_cure for cause in named]),
        np.array([cause.money_per_try for cause in named]),
        order,
    )
    listed = replace(ranking, causes=tuple(named[place] for place in places), order=order)
    return replace(listed, expected_cost=expected_cost(listed), expected_minutes=expected_minutes(listed))


def without_line(
    evidence: Evidence, *, symptom: str | None = None, rail: tuple[str, str, str] | None = None
) -> Evidence:
    """The evidence with one symptom or one rail key (role, supply, load) switched off, for a what-if."""
    return replace(
        evidence,
        symptoms=tuple(one for one in evidence.symptoms if one[0] != symptom),
        rails=tuple(one for one in evidence.rails if one.key != rail),
    )


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What switching one line off would do: the cause listed first without it, and by how much it moves.

    First is first in the order "likely".
    """

    line: str
    without: Evidence
    leading: tuple[str, str]
    leading_probability: float
    leading_changes: bool
    moved: float  # half the summed change of all probabilities: 0 nothing, 1 everything


def what_if(ledger: Ledger, evidence: Evidence, settings: Settings | None = None) -> tuple[WhatIf, ...]:
    """For each line of evidence the ranking without it; the line that moves most first."""
    settings = settings or Settings()
    found = posterior(ledger, evidence, settings)
    ledger = counted(ledger, settings)
    if not len(found.faults):
        return ()
    figures = _figures(ledger, found, settings)

    def first(one: Posterior) -> int:
        return int(_in_order(ledger, one.faults, one.probability * one.cures, figures, "likely")[0])

    now = first(found)
    answers = []
    for line, reduced in _one_less(ledger, evidence):
        other = posterior(ledger, reduced, settings)
        leading = first(other)
        moved = 0.5 * (
            float(np.abs(other.probability - found.probability).sum()) + abs(other.unseen - found.unseen)
        )
        answers.append(
            WhatIf(
                line,
                reduced,
                ledger.faults.values[int(found.faults[leading])],
                float(other.probability[leading]),
                leading != now,
                moved,
            )
        )
    return tuple(sorted(answers, key=lambda one: (-one.moved, one.line)))


def _one_less(ledger: Ledger, evidence: Evidence) -> list[tuple[str, Evidence]]:
    reduced = []
    for name, present in dict.fromkeys(evidence.symptoms):
        single = Evidence(symptoms=((name, present),))
        reduced.append((single, without_line(evidence, symptom=name)))
    for rail in dict.fromkeys(evidence.rails):
        without = replace(evidence, rails=tuple(one for one in evidence.rails if one != rail))
        reduced.append((Evidence(rails=(rail,)), without))
    labelled = []
    for single, without in reduced:
        known, _ = ledger.lines.find(single)
        if known:
            labelled.append((ledger.lines.label(known[0]), without))
    return labelled


def _chances_and(ranking: Ranking, name: str) -> tuple[list[float], list[float]]:
    return (
        [cause.chance_of_cure for cause in ranking.causes],
        [getattr(cause, name) for cause in ranking.causes],
    )


def _basis(ledger: Ledger, found: Posterior) -> str:
    if found.family >= 0 and ledger.family_cases.view[found.family] > 0:
        return "family"
    if found.kind >= 0 and ledger.kind_fault.view[found.kind].any():
        return "kind"
    return "all boards" if ledger.known else "nothing"


def _by_name(ledger: Ledger, faults: NDArray[Any]) -> NDArray[np.int64]:
    """Places of the faults in order of their names, so that equals never depend on order of entry."""
    names = ledger.faults.values
    return np.array(sorted(range(len(faults)), key=lambda place: names[faults[place]]), dtype=np.int64)


def _in_order(
    ledger: Ledger, faults: NDArray[Any], cures: Floats, figures: FixFigures, order: Order
) -> NDArray[np.int64]:
    named = _by_name(ledger, faults)
    return named[_listed(cures[named], figures.money[named], order)]


def _listed(cures: Floats, money: Floats, order: Order) -> NDArray[np.int64]:
    """Places (n,) of fixes in the order to try them; equals stay as they are."""
    chance = np.round(cures, 12)
    return cheapest_first(chance, money) if order == "cheapest" else np.argsort(-chance, kind="stable")


def _figures(ledger: Ledger, found: Posterior, settings: Settings) -> FixFigures:
    return kept(
        ledger,
        settings,
        ("figures", found.family),
        lambda: fix_figures(ledger, found.faults, found.family, settings),
    )


def _weights(found: Posterior, shown: NDArray[Any]) -> Floats:
    """By how much each line (E, shown) moves a cause's log odds against the mixture of all others.

    A line's part in the sub-patterns is what the sum over them would lose without the line.
    """
    lines, tables = found.lines, found.tables
    logs = np.array([line.logs for line in lines]).reshape(len(lines), len(found.faults))
    on_any = np.array([line.on_any for line in lines])
    if tables.patterns is not None:
        whole = of_patterns(tables.patterns, lines)
        for number in range(len(lines)):
            logs[number] += whole - of_patterns(tables.patterns, lines[:number] + lines[number + 1 :])
    top = np.maximum(logs.max(axis=1, initial=-np.inf), on_any)
    given = np.exp(logs - top[:, None])
    everything = given @ found.prior + found.prior_unseen * np.exp(on_any - top)
    mine = given[:, shown]
    share = found.prior[shown]
    with np.errstate(divide="ignore", invalid="ignore"):
        others = (everything[:, None] - mine * share) / (1.0 - share)
        weights = logs[:, shown] - top[:, None] - np.log(others)
    return np.nan_to_num(np.where(share < 1.0 - 1e-12, weights, 0.0), nan=0.0, posinf=700.0, neginf=-700.0)


def general_shares(ledger: Ledger, found: Posterior, settings: Settings) -> Floats:
    """Share (K,) of what is said of each fault that rests on general knowledge: its prior and each answer noted.

    The mean over the prior, which counts 1, and the answers of which there is an opinion, each by its exponent.
    """
    catalogue = catalogue_shares(ledger, found.faults, found.kind)
    if catalogue is None:
        return np.zeros(len(found.faults))
    lent = settings.k_catalogue * catalogue
    cases = ledger.cases_of_fault.view[found.faults]
    total = lent / np.maximum(cases + lent, 1e-12)
    rows = [row for line in found.lines for row in line.rows]
    practice = found.tables.general
    assert practice is not None  # who has a catalogue has opinions
    opinions = practice[rows]
    held = np.where(np.isnan(opinions), 0.0, found.tables.weights.exponent[rows][:, None])
    return (total + (held * np.nan_to_num(opinions)).sum(axis=0)) / (1.0 + held.sum(axis=0))


def _causes(
    ledger: Ledger,
    found: Posterior,
    figures: FixFigures,
    shown: NDArray[np.int64],
    explained: int | None,
    settings: Settings,
) -> tuple[Cause, ...]:
    """The causes at some places; only the first `explained` say which evidence and which cases are behind them."""
    behind = kept(ledger, settings, ("behind", found.family), lambda: _Behind(ledger, found))
    general = general_shares(ledger, found, settings)
    spoken = _spoken(found, shown[:explained])
    numbers = zip(
        found.probability[shown].tolist(),
        found.prior[shown].tolist(),
        found.cures[shown].tolist(),
        figures.money[shown].tolist(),
        figures.minutes[shown].tolist(),
        general[shown].tolist(),
        strict=True,
    )
    causes = []
    for column, (place, (probability, before, cure_rate, money, minutes, practice)) in enumerate(
        zip(shown.tolist(), numbers, strict=True)
    ):
        explains = column < len(spoken)
        own_uids, others_uids = behind.uids(ledger, place) if explains else ((), ())
        causes.append(
            Cause(
                **behind.recorded[place],
                probability=probability,
                prior_probability=before,
                cure_rate=cure_rate,
                chance_of_cure=probability * cure_rate,
                money_per_try=money,
                minutes_per_try=minutes,
                general_practice=practice,
                evidence=spoken[column] if explains else (),
                case_uids=own_uids,
                others_uids=others_uids,
            )
        )
    return tuple(causes)


class _Behind:
    """What is on record of each of K faults, on all boards and in one family, whatever is noted on a board.

    `recorded` has those fields of a `Cause` by their names.
    """

    __slots__ = ("_uids", "recorded", "tallies")

    def __init__(self, ledger: Ledger, found: Posterior) -> None:
        own, others = own_of(ledger), ledger.others if own_of(ledger) is not ledger else None
        faults = found.faults.tolist()
        self.tallies = [
            (*_tallies(own, fault, found.family), *_tallies(others, fault, found.family)) for fault in faults
        ]
        self.recorded = [
            _recorded(ledger, fault, *tallies) for fault, tallies in zip(faults, self.tallies, strict=True)
        ]
        self._uids: dict[int, tuple[tuple[str, ...], tuple[str, ...]]] = {}

    def uids(self, ledger: Ledger, place: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Cases behind the fault at a place, the shop's own and those of others."""
        if place not in self._uids:
            overall, inside, others, others_inside = self.tallies[place]
            self._uids[place] = (
                _newest_cases(own_of(ledger), overall, inside),
                _newest_cases(ledger.others, others, others_inside) if ledger.others else (),
            )
        return self._uids[place]


def _recorded(
    ledger: Ledger,
    fault: int,
    overall: Tally,
    inside: Tally | None,
    others: Tally,
    others_inside: Tally | None,
) -> dict[str, Any]:
    """The fields of a cause that the records say."""
    section, part_class = ledger.faults.values[fault]
    # From what says most to what says least.
    levels = [one for one in (inside, overall, others_inside, others) if one]
    parts = next((one.parts for one in (inside, others_inside) if one and one.parts), {})
    failures = (inside or overall).failures or (others_inside or others).failures
    return {
        "section": section,
        "part_class": part_class,
        "cases": overall.cases,
        "family_cases": inside.cases if inside else 0,
        "tried": overall.tried,
        "cured": overall.cured,
        "family_tried": inside.tried if inside else 0,
        "family_cured": inside.cured if inside else 0,
        "interval": jeffreys(overall.cured, overall.tried),
        "parts": counted_names(ledger.parts.values, parts),
        "failures": tuple(name for name, _ in counted_names(ledger.failures.values, failures)),
        "cost": next((cost for one in levels if (cost := mean_cost(one)) is not None), None),
        "minutes": next((time for one in levels if (time := mean_minutes(one)) is not None), None),
        "others_cases": others.cases,
        "others_tried": others.tried,
        "others_cured": others.cured,
    }


def _tallies(ledger: Ledger | None, fault: int, family: int) -> tuple[Tally, Tally | None]:
    """What is counted for a fault on all boards, and within the family where there is anything."""
    if ledger is None:
        return Tally(), None
    return ledger.tallies[fault], ledger.family_tallies[family].get(fault) if family >= 0 else None


def _spoken(found: Posterior, shown: NDArray[np.int64]) -> list[tuple[Weight, ...]]:
    """For each place the lines with their weights in plain words, the heaviest first, then by line."""
    lines = sorted(found.lines, key=lambda line: line.label)
    said = [
        dict.fromkeys(("speaks for", "speaks against", "says little"), line.label)
        if line.label.endswith(TRIED)
        else {how: f"{line.label}: {how}" for how in ("speaks for", "speaks against", "says little")}
        for line in lines
    ]
    weights = _weights(replace(found, lines=tuple(lines)), shown)
    heaviest_first = np.argsort(-np.abs(weights), axis=0, kind="stable")
    return [
        tuple(Weight(said[at][_speaks(mine[at])], mine[at], lines[at].label) for at in order)
        for mine, order in zip(weights.T.tolist(), heaviest_first.T.tolist(), strict=True)
    ]


def _speaks(weight: float) -> str:
    if abs(weight) < _SAYS_LITTLE:
        return "says little"
    return "speaks for" if weight > 0 else "speaks against"


def _newest_cases(ledger: Ledger, overall: Tally, inside: Tally | None) -> tuple[str, ...]:
    """Uids of up to UIDS_SHOWN cases behind a fault: the same family first, the newest first."""
    rows = list(islice(inside.newest_rows(), UIDS_SHOWN)) if inside else []
    taken = set(rows)
    others = (row for row in overall.newest_rows() if row not in taken)
    rows += islice(others, UIDS_SHOWN - len(rows))
    return tuple(ledger.rows.uids[row] for row in rows)
