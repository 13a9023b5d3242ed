"""How far to trust the ranking: what it would have said about the store's own cases.

Each case is scored as if the store had not known it (leave one out), and, going through the calendar, as
if only the cases closed before it were known. Beside every figure stands the plain baseline "most
frequent fault of the family": the same prior without any evidence.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from kb.suggest.leave_one_out import Forecast, choose_cases, forecasts
from kb.suggest.ledger import Ledger
from kb.suggest.model_selection import choose_strength
from kb.suggest.pooled_counts import counted
from kb.suggest.posterior import ValueRead, posterior_of
from kb.suggest.questions import Floats
from kb.suggest.rows import NO_VALUE, VALUE_STEPS
from kb.suggest.scores import Bin, brier_of_each, calibration_error, log_loss, reliability_bins
from kb.suggest.settings import Settings


@dataclass(frozen=True, slots=True)
class Scores:
    """Figures over some cases.

    `first` and `first_three` count cases whose fault led or was among the first three; `log_loss` in
    nats and `brier` (sum form, 0 to 2) include the row for a fault new to the store, which is right when
    no other case has the fault; `calibration_error` and `bins` compare what was said of the leading
    cause with how often it was right; `new_faults` counts cases with a fault new to the store and
    `new_expected` is how many the unseen row announced.
    """

    cases: int
    first: int
    first_three: int
    log_loss: float
    brier: float
    calibration_error: float
    bins: tuple[Bin, ...]
    new_faults: int
    new_expected: float

    @property
    def first_share(self) -> float:
        return self.first / self.cases if self.cases else 0.0

    @property
    def first_three_share(self) -> float:
        return self.first_three / self.cases if self.cases else 0.0


@dataclass(frozen=True, slots=True)
class Compared:
    """The ranking beside the baseline, over the same cases; `name` says which (a family, a period)."""

    name: str
    ranking: Scores
    baseline: Scores


@dataclass(frozen=True, slots=True)
class TrackRecord:
    """All cases, each family with the most cases first, and each period in order of time."""

    overall: Compared
    families: tuple[Compared, ...]
    periods: tuple[Compared, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class Added:
    """What a part of the model adds: the ranking with it and without, each with weights of its own."""

    with_it: Scores
    without: Scores


@dataclass(frozen=True, slots=True)
class _Judged:
    """Per case, shape (n,): place of the fault in the list (0 when new), and what scoring needs."""

    place: NDArray[np.int64]
    of_truth: Floats
    brier: Floats
    leading: Floats
    unseen: Floats
    is_new: NDArray[np.bool_]


def track_record(
    ledger: Ledger,
    settings: Settings | None = None,
    *,
    max_cases: int = 10_000,
    max_families: int = 50,
    cuts: Sequence[date] = (),
) -> TrackRecord:
    """The whole record, on the shop's own cases. `cuts` begin the periods of `over_time`."""
    settings = settings or Settings()
    sums = counted(ledger, settings)
    chosen = choose_cases(sums, max_cases)
    with_evidence, without = [], []
    for part in chosen.parts():
        with_evidence.append(_judge(forecasts(sums, part, settings)))
        without.append(_judge(forecasts(sums, part, settings, evidence=False)))
    ours, plain = _joined(with_evidence), _joined(without)
    overall = Compared("all cases", _scores(ours), _scores(plain))
    family_of = ledger.rows.get("family")[chosen.rows]
    families = tuple(
        Compared(ledger.families.values[family], _scores(_some(ours, mine)), _scores(_some(plain, mine)))
        for family, _ in _most_frequent(ledger, family_of)[:max_families]
        for mine in (family_of == family,)
    )
    periods = over_time(ledger, settings, cuts, max_cases=max_cases)
    return TrackRecord(overall, families, periods, sentence(overall))


def general_adds(ledger: Ledger, settings: Settings, *, max_cases: int) -> Added | None:
    """What general knowledge adds on the shop's own cases; None without it. Makes both choices roughly.

    The ledger forgets its general knowledge, so it must be a copy.
    """
    if settings.general is None or ledger.known < 2:
        return None
    found = []
    for general in (settings.general, None):
        if general is None:
            ledger.opinions, ledger.catalogue, ledger.weighed, ledger.tables = None, {}, None, None
        base = replace(settings, general=general, fitted=None)
        chosen = choose_strength(ledger, base, max_cases=max_cases, thorough=False).settings
        found.append(_overall(ledger, chosen, max_cases))
    return Added(*found)


def patterns_add(ledger: Ledger, settings: Settings, *, max_cases: int) -> Added | None:
    """What sub-patterns add on the shop's own cases, each exponent chosen again without; None where none are used."""
    if settings.fitted is None or settings.fitted.patterns is None:
        return None
    base = replace(settings, fitted=None)
    without = choose_strength(ledger, base, max_cases=max_cases, patterns=False).settings
    return Added(_overall(ledger, settings, max_cases), _overall(ledger, without, max_cases))


def _overall(ledger: Ledger, settings: Settings, max_cases: int) -> Scores:
    sums = counted(ledger, settings)
    parts = choose_cases(sums, max_cases).parts()
    return _scores(_joined([_judge(forecasts(sums, part, settings)) for part in parts]))


def sentence(compared: Compared) -> str:
    """One sentence a technician can act on."""
    ranking, plain = compared.ranking, compared.baseline
    if not ranking.cases:
        return "There is no repaired case with a known fault yet, so there is no record to judge by."
    return (
        f"Out of {ranking.cases} repaired boards the first suggestion was right for {ranking.first} and the "
        f"right one was among the first three for {ranking.first_three}; naming the most frequent fault of "
        f"the family would have been right for {plain.first}."
    )


def over_time(
    ledger: Ledger, settings: Settings, cuts: Sequence[date], *, max_cases: int = 10_000
) -> tuple[Compared, ...]:
    """For each pair of neighbouring dates: cases closed before the first predict those up to the second.

    The last period is open. Within a period at most max_cases / periods cases are scored, evenly spaced.
    Cases without a closing date are left out, and so are those of other shops. Named by the first day of
    the period.
    """
    rows = ledger.rows
    closed = rows.get("closed")
    usable = np.flatnonzero((rows.get("alive") == 1) & (rows.get("fault") >= 0) & (closed > 0))
    ordered = usable[np.argsort(closed[usable], kind="stable")]
    days = closed[ordered]
    twin = ledger.empty_twin()
    counted = 0
    compared = []
    starts = sorted(set(cuts))
    for number, start in enumerate(starts):
        first = int(np.searchsorted(days, start.toordinal(), side="left"))
        last = len(days)
        if number + 1 < len(starts):
            last = int(np.searchsorted(days, starts[number + 1].toordinal(), side="left"))
        for row in ordered[counted:first].tolist():
            twin.count_row(row)
        counted = first
        scored = _spaced(ordered[first:last], max(1, max_cases // len(starts)))
        if len(scored) and twin.known:
            ours = _joined([_judge(_forward(twin, row, settings)) for row in scored.tolist()])
            plain = _joined(
                [_judge(_forward(twin, row, settings, evidence=False)) for row in scored.tolist()]
            )
            compared.append(Compared(start.isoformat(), _scores(ours), _scores(plain)))
    return tuple(compared)


def _spaced(rows: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    return rows if len(rows) <= most else rows[np.arange(most) * len(rows) // most]


def _forward(twin: Ledger, row: int, settings: Settings, *, evidence: bool = True) -> Forecast:
    """The forecast for one row from what the twin has counted so far."""
    rows = twin.rows
    items = rows.items_of(row).astype(np.int64) if evidence else np.zeros(0, dtype=np.int64)
    family, kind = int(rows.get("family")[row]), int(rows.get("kind")[row])
    read = _read_in(twin, row) if evidence else ()
    found = posterior_of(twin, family, kind, items, settings, read=read)
    names = twin.faults.values
    by_name = np.array(sorted(range(len(found.faults)), key=lambda place: names[found.faults[place]]))
    place = np.flatnonzero(found.faults[by_name] == int(rows.get("fault")[row]))
    truth = int(place[0]) if len(place) else -1
    return Forecast(found.probability[by_name][None, :], np.array([found.unseen]), np.array([truth]))


def _read_in(twin: Ledger, row: int) -> tuple[ValueRead, ...]:
    """The values that stand beside a row's conditions."""
    items, steps = twin.rows.items_of(row), twin.rows.values_of(row)
    there = np.flatnonzero(steps != NO_VALUE)
    feature_of = twin.lines.feature_of.view
    return tuple(
        ValueRead(int(feature_of[items[place]]), int(items[place]), float(steps[place]) / VALUE_STEPS, "")
        for place in there.tolist()
    )


def _judge(forecast: Forecast) -> _Judged:
    probability, unseen, truth = forecast.probability, forecast.unseen, forecast.truth
    lines = np.arange(len(truth))
    is_new = truth < 0
    of_truth = np.where(is_new, unseen, probability[lines, np.maximum(truth, 0)])
    # Rounded as the ranking does, so that equals are in order of name there and here.
    shown = np.round(probability, 12)
    mine = shown[lines, np.maximum(truth, 0)][:, None]
    earlier = np.arange(probability.shape[1])[None, :] < truth[:, None]
    place = 1 + (shown > mine).sum(axis=1) + ((shown == mine) & earlier).sum(axis=1)
    return _Judged(
        np.where(is_new, 0, place),
        of_truth,
        brier_of_each(probability, of_truth) + unseen**2,
        probability.max(axis=1),
        unseen,
        is_new,
    )


def _joined(judged: Sequence[_Judged]) -> _Judged:
    if not judged:
        none = np.zeros(0)
        return _Judged(none.astype(np.int64), none, none, none, none, none.astype(bool))
    return _Judged(
        np.concatenate([one.place for one in judged]),
        np.concatenate([one.of_truth for one in judged]),
        np.concatenate([one.brier for one in judged]),
        np.concatenate([one.leading for one in judged]),
        np.concatenate([one.unseen for one in judged]),
        np.concatenate([one.is_new for one in judged]),
    )


def _some(judged: _Judged, mine: NDArray[np.bool_]) -> _Judged:
    return replace(
        judged,
        place=judged.place[mine],
        of_truth=judged.of_truth[mine],
        brier=judged.brier[mine],
        leading=judged.leading[mine],
        unseen=judged.unseen[mine],
        is_new=judged.is_new[mine],
    )


def _scores(judged: _Judged) -> Scores:
    cases = len(judged.place)
    right = judged.place == 1
    return Scores(
        cases=cases,
        first=int(right.sum()),
        first_three=int(((judged.place >= 1) & (judged.place <= 3)).sum()),
        log_loss=log_loss(judged.of_truth),
        brier=float(judged.brier.mean()) if cases else 0.0,
        calibration_error=calibration_error(judged.leading, right),
        bins=reliability_bins(judged.leading, right),
        new_faults=int(judged.is_new.sum()),
        new_expected=float(judged.unseen.sum()),
    )


def _most_frequent(ledger: Ledger, family_of: NDArray[np.int64]) -> list[tuple[int, int]]:
    names = ledger.families.values
    counts = Counter(family_of.tolist())
    return sorted(counts.items(), key=lambda pair: (-pair[1], names[pair[0]]))
