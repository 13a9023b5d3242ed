"""How far to trust the book: what it would have said about its own cases, and how long fixes lasted.

The record is worked out on a copy of the counts, so that nobody waits for the lock, and kept until the
counts have changed. In a large store that happens in the background and a hundredth more cases changes
no figure worth seeing, so the last record stands until then.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass
from datetime import date

from kb.errors import StoreTrouble
from kb.service.shop.shop import Shop
from kb.suggest import (
    Compared,
    Lasting,
    Ledger,
    Scores,
    TrackRecord,
    jeffreys,
    lasting_of,
    track_record,
)
from kb.suggest import Settings as Weights
from kb.suggest.model_selection import FEWEST_CASES
from kb.suggest.scores import Bin
from kb.suggest.snapshot import from_bytes, to_bytes
from kb.suggest.track_record import Added, general_adds, patterns_add

__all__ = [
    "Bin",
    "ClassLasting",
    "Compared",
    "Lasting",
    "Scores",
    "Trust",
    "adds",
    "before",
    "interval",
    "lasting",
    "record",
]

log = logging.getLogger(__name__)
MOST_SCORED = 4_000
MOST_FAMILIES = 40
MOST_PERIODS = 12
MOST_PART_CLASSES = 8
# Up to so many cases the whole record takes well under a second.
_AT_ONCE = 5_000
_WORTH_REPEATING = 0.01
# A record of a store that has since changed by more than this is waited for instead of shown.
_PAST = 0.2
# A rough record for the diagnose screen: a few hundredths of a second at any size.
_ROUGH_SCORED = 1_000
_ROUGH_WORTH_REPEATING = 0.05
_ADDS_SCORED = 500
_PER_HUNDRED_FROM = 50
_WAIT_S = 60.0


@dataclass(frozen=True, slots=True)
class ClassLasting:
    """How long fixes of one part class lasted on all boards."""

    part_class: str
    curve: Lasting


@dataclass(frozen=True, slots=True)
class Trust:
    """The track record with what it rests on.

    `stored` cases of which `known` tell what cured the board; `scored` of these were looked at one by
    one. `periods` says whether the record over time goes by "year" or "quarter". `others` cases of other
    shops tell what cured the board, and each counts `others_weight` of an own one.
    """

    record: TrackRecord
    sentence: str
    stored: int
    known: int
    scored: int
    periods: str
    lasting: tuple[ClassLasting, ...]
    strength: float
    others: int = 0
    others_weight: float = 0.0
    others_sentence: str = ""


_Key = tuple[tuple[int, str], int]
_Fix = tuple[str, str, str | None]


class _Keeper:
    """What is kept for one shop."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.trust: Trust | None = None
        self.key: _Key | None = None
        self.work: threading.Thread | None = None
        self.rough: tuple[int, Scores] | None = None
        self.adds: tuple[int, bool, tuple[str, ...]] | None = None
        self.adder: threading.Thread | None = None
        self.curves: tuple[_Key, dict[_Fix, Lasting]] | None = None

    def serves(self, key: _Key, known: int) -> bool:
        """Whether the kept record may be shown for counts of this key and size."""
        if self.trust is None:
            return False
        if self.key == key:
            return True
        return known > _AT_ONCE and abs(known - self.trust.known) <= _WORTH_REPEATING * known


def _keeper(shop: Shop) -> _Keeper:
    # With the counts and not with the shop, of which every request has a copy under the name of who asks.
    keeper = shop.derived.computed.setdefault("track record", _Keeper())
    assert isinstance(keeper, _Keeper)
    return keeper


def record(shop: Shop, *, wait_s: float = _WAIT_S) -> Trust:
    """The track record of the store. Raises StoreTrouble when it takes longer than `wait_s` seconds."""
    keeper = _keeper(shop)
    with keeper.lock:
        with shop.derived.counts() as (ledger, weights):
            key, known = (ledger.seen, ledger.version), ledger.known
            if keeper.trust is not None and keeper.serves(key, known):
                return keeper.trust
            running = keeper.work is not None and keeper.work.is_alive()
            copy = None if running else to_bytes(ledger)
        if copy is not None and known <= _AT_ONCE:
            _keep(keeper, copy, weights, key)
        elif copy is not None:
            keeper.work = threading.Thread(
                target=_keep, args=(keeper, copy, weights, key), name="track record", daemon=True
            )
            keeper.work.start()
        work, trust = keeper.work, keeper.trust
    if work is not None and _is_past(trust, known):
        work.join(wait_s)
        trust = keeper.trust
    if trust is None or _is_past(trust, known):
        raise StoreTrouble(
            "The track record is still being worked out.", remedy="Come back in a minute or two."
        )
    return trust


def _is_past(trust: Trust | None, known: int) -> bool:
    """Whether the record is missing, or tells of a store so much smaller or larger that it would mislead."""
    return trust is None or abs(known - trust.known) > _PAST * max(known, trust.known)


def _keep(keeper: _Keeper, copy: bytes, weights: Weights, key: _Key) -> None:
    try:
        keeper.trust, keeper.key = _work_out(from_bytes(copy), weights), key
    except Exception:
        log.exception("the track record could not be worked out")
        raise


def _work_out(ledger: Ledger, weights: Weights) -> Trust:
    periods, cuts = _cuts(ledger)
    found = track_record(ledger, weights, max_cases=MOST_SCORED, max_families=MOST_FAMILIES, cuts=cuts)
    scored = found.overall.ranking.cases
    others = ledger.others.known if ledger.others is not None else 0
    return Trust(
        found,
        _sentence(found.overall, ledger.known),
        len(ledger),
        ledger.known,
        scored,
        periods,
        _by_part_class(ledger),
        weights.strength,
        others,
        weights.others_weight if others else 0.0,
        _others_sentence(weights.others_weight, ledger.known) if others else "",
    )


def adds(shop: Shop, wait_s: float = 0.0) -> tuple[str, ...] | None:
    """What general knowledge and sub-patterns are worth on the store's own boards, in sentences.

    It takes some seconds and is worked out in the background, again when the store has changed by a twentieth or
    sub-patterns were chosen since; None until it is there, for `wait_s` seconds at most.
    """
    keeper = _keeper(shop)
    with keeper.lock:
        with shop.derived.counts() as (ledger, weights):
            known, patterns = ledger.known, weights.fitted is not None and weights.fitted.patterns is not None
            kept = keeper.adds
            if (
                kept is not None
                and kept[1] == patterns
                and abs(known - kept[0]) <= _ROUGH_WORTH_REPEATING * known
            ):
                return kept[2]
            running = keeper.adder is not None and keeper.adder.is_alive()
            copy = None if running else to_bytes(ledger)

        def work_out(counts: bytes) -> None:
            try:
                keeper.adds = known, patterns, _adds(from_bytes(counts), weights)
            except Exception:
                log.exception("what the parts of the ranking add could not be worked out")
                keeper.adds = known, patterns, ()

        if copy is not None:
            keeper.adder = threading.Thread(target=work_out, args=(copy,), name="adds", daemon=True)
            keeper.adder.start()
        adder = keeper.adder
    if adder is not None and wait_s:
        adder.join(wait_s)
    return keeper.adds[2] if keeper.adds is not None else None


def _adds(ledger: Ledger, weights: Weights) -> tuple[str, ...]:
    if ledger.known < 2:
        return ()
    patterns = patterns_add(ledger, weights, max_cases=_ADDS_SCORED)
    general = general_adds(ledger, weights, max_cases=_ADDS_SCORED)
    found = []
    if general is not None:
        found.append(f"What the trade knows in general, beside your own cases: {_gain(general)}")
    if patterns is not None:
        found.append(
            "That one fault can show itself in several ways, each with signs that go together: "
            f"{_gain(patterns)}"
        )
    elif ledger.known >= FEWEST_CASES:
        found.append(
            "Whether one fault shows itself in several ways, each with signs that go together, makes no "
            "difference on your boards so far, or has not been looked at yet, and is left out."
        )
    return tuple(found)


def _gain(added: Added) -> str:
    ours, plain = added.with_it, added.without
    share = round(100 * (1.0 - ours.log_loss / plain.log_loss)) if plain.log_loss > 0.0 else 0
    surprise = (
        f"the true cause surprised the book {abs(share)} % {'less' if share > 0 else 'more'}"
        if share
        else "the true cause surprised the book as much as without"
    )
    return (
        f"the first suggestion was right on {_spaced(ours.first)} of {_spaced(ours.cases)} boards, without it on "
        f"{_spaced(plain.first)}; among the first three on {_spaced(ours.first_three)}, without it on "
        f"{_spaced(plain.first_three)}; {surprise} (log loss {ours.log_loss:.3f}, without it "
        f"{plain.log_loss:.3f})."
    )


def before(shop: Shop, said: float) -> Bin | None:
    """How often the first suggestion was right on the store's boards where it was about as sure as `said`.

    None where no such board was scored. Rough: worked out again only when the store has grown by a
    twentieth.
    """
    keeper = _keeper(shop)
    with shop.derived.counts() as (ledger, weights):
        kept = keeper.rough
        if kept is None or abs(ledger.known - kept[0]) > _ROUGH_WORTH_REPEATING * ledger.known:
            scores = track_record(ledger, weights, max_cases=_ROUGH_SCORED, max_families=0).overall.ranking
            kept = keeper.rough = (ledger.known, scores)
    bins = kept[1].bins
    place = min(int(said * len(bins) + 1e-9), len(bins) - 1)
    return bins[place] if bins and bins[place].cases else None


def lasting(shop: Shop, ledger: Ledger, section: str, part_class: str, family: str | None) -> Lasting:
    """How long one fix lasted, on a family's boards or on all; kept until the counts change.

    `ledger` is what `shop.derived.counts` gives and is held by the caller.
    """
    keeper = _keeper(shop)
    key = (ledger.seen, ledger.version)
    if keeper.curves is None or keeper.curves[0] != key:
        keeper.curves = (key, {})
    curves, fix = keeper.curves[1], (section, part_class, family)
    if fix not in curves:
        curves[fix] = lasting_of(ledger, section=section, part_class=part_class, family=family)
    return curves[fix]


def interval(part: int, whole: int) -> tuple[float, float]:
    """95 % interval of a share (Jeffreys)."""
    return jeffreys(part, whole)


def _cuts(ledger: Ledger) -> tuple[str, list[date]]:
    """("year" or "quarter", the first days of the periods): each period is predicted by those before it."""
    rows = ledger.rows
    closed = rows.get("closed")[(rows.get("alive") == 1) & (rows.get("fault") >= 0)]
    days = sorted({date.fromordinal(int(day)) for day in closed if day > 0})
    years = sorted({day.year for day in days})
    if len(years) > 2:
        return "year", [date(year, 1, 1) for year in years[1:]][-MOST_PERIODS:]
    quarters = sorted({date(day.year, (day.month - 1) // 3 * 3 + 1, 1) for day in days})
    return "quarter", quarters[1:][-MOST_PERIODS:]


def _by_part_class(ledger: Ledger) -> tuple[ClassLasting, ...]:
    """The part classes whose fixes were followed on most boards."""
    names = sorted({part_class for _, part_class in ledger.faults.values})
    found = [ClassLasting(name, lasting_of(ledger, part_class=name)) for name in names]
    found.sort(key=lambda one: (-one.curve.followed, one.part_class))
    return tuple(one for one in found[:MOST_PART_CLASSES] if one.curve.followed)


def _others_sentence(weight: float, known: int) -> str:
    counts = (
        "are not counted in the ranking" if weight == 0 else f"count {weight:g} of your own in the ranking"
    )
    if known < FEWEST_CASES:
        counts += (
            f", until {FEWEST_CASES} of your own tell what cured the board and how much they help can be told"
        )
    else:
        counts += (
            f"; chosen on your own {_spaced(known)} repaired boards, by how much they help to foresee these"
        )
    return f"Cases of other shops {counts}."


def _spaced(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def _sentence(compared: Compared, known: int) -> str:
    ranking, plain = compared.ranking, compared.baseline
    cases = ranking.cases
    if not cases:
        return "There is no repaired case with a known fix yet, so there is no record to judge the book by."
    boards = f"On your {_spaced(cases)} repaired boards," if cases > 1 else "On your one repaired board,"
    if cases < known:
        boards = f"On {_spaced(cases)} of your {_spaced(known)} repaired boards, picked evenly and"

    def of(count: int) -> str:
        return f"{round(100 * count / cases)} of 100" if cases >= _PER_HUNDRED_FROM else f"{count} of {cases}"

    return (
        f"{boards} looked at one by one without their own record, the book's first suggestion was right on "
        f"{of(ranking.first)}, and the cause was among the first three on {of(ranking.first_three)}; always "
        f"taking the family's most frequent fault would have been right on "
        f"{of(plain.first).removesuffix(' of 100')}."
    )
