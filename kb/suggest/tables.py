"""Log tables of the likelihood, kept from one question to the next and renewed section by section.

Everything a ranking needs besides the counts of the family is the logarithm of P(answer | fault) for each
row of the count table. Working it out takes some hundredths of a second in a large store, looking it up next to
nothing. A case touches the counts of its own section; what it does to the root of all is left until a
thousandth of the cases has changed, in stores large enough that it cannot be seen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.levels import LEAST, RowWeights, at_root, likelihood, row_weights
from kb.suggest.opinions import Opinions, candidates
from kb.suggest.patterns import PatternTables, pattern_tables, renew_patterns
from kb.suggest.questions import Floats, Layout, counts_of, heard, layout_of
from kb.suggest.reading_values import Values, values_of

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger
    from kb.suggest.settings import Settings

_SECTIONS_FROM = 5_000  # below so many cases everything is worked out again: a few milliseconds
_ROOT_STALE = 0.001


@dataclass(slots=True)
class Tables:
    """For J rows and K faults: `logs` (J, K), `root` and `root_logs` (J,), `opinion` (J, K) or None.

    `general` (J, K) is the share of each entry that rests on general knowledge, not a number where there is no
    opinion. `silent` (K,) and `silent_root` are the sums over all symptoms of the tempered log of their silence.
    `built` and `now` are readings of the ledger's marks: when everything was worked out, and when a section
    was last; `mentions_per_case` is the mean number of symptoms that a case mentions. `values` are there once they
    have been asked for.
    """

    settings: Settings
    opinions: Opinions | None
    faults: NDArray[Any]
    layout: Layout
    weights: RowWeights
    logs: Floats
    root: Floats
    root_logs: Floats
    opinion: Floats | None
    general: Floats | None
    silent: Floats
    silent_root: float
    patterns: PatternTables | None
    built: int
    now: int
    mentions_per_case: float
    values: Values | None = None

    def reading_values(self, ledger: Ledger) -> Values:
        """What the values of readings were, in step with the counts."""
        self.values = values_of(ledger, self.faults, self.values)
        return self.values


def tables_of(ledger: Ledger, settings: Settings) -> Tables:
    """The tables for these counts and settings, renewed where cases have come or gone since."""
    kept = ledger.tables
    marks = ledger.marks
    if (
        kept is not None
        and kept.settings == settings
        and kept.opinions is ledger.opinions
        and kept.layout.items == ledger.lines.item_count
    ):
        if kept.now == marks.now:
            return kept
        if (
            ledger.known >= _SECTIONS_FROM
            and marks.now - kept.built <= _ROOT_STALE * ledger.known
            and np.array_equal(candidates(ledger), kept.faults)
        ):
            _renew(kept, ledger)
            return kept
    ledger.tables = _build(ledger, settings)
    return ledger.tables


def _build(ledger: Ledger, settings: Settings) -> Tables:
    faults = candidates(ledger)
    layout = layout_of(ledger.lines)
    weights = row_weights(settings, layout, ledger.lines)
    speaks = heard(ledger, layout, weights.k_general)
    weights = replace(weights, exponent=weights.exponent * speaks)
    counts, totals = counts_of(ledger, layout, faults)
    root = at_root(counts.sum(axis=1), totals.sum(axis=1), layout, settings.alpha)
    opinion = ledger.opinions.table(ledger, layout, faults) if ledger.opinions is not None else None
    given, general, section = likelihood(
        ledger.section_of.view[faults], counts, totals, root, weights, opinion
    )
    logs = np.log(np.maximum(given, LEAST))
    root_logs = np.log(np.maximum(root, LEAST))
    silent = layout.silent
    patterns = None
    if settings.fitted is not None and settings.fitted.patterns is not None:
        patterns = pattern_tables(ledger, settings.fitted, layout, faults, given, section)
    mentions = ledger.feature_fault.view[layout.symptoms].sum()
    return Tables(
        settings,
        ledger.opinions,
        faults,
        layout,
        weights,
        logs,
        root,
        root_logs,
        opinion,
        general,
        weights.exponent[silent] @ logs[silent],
        float(weights.exponent[silent] @ root_logs[silent]),
        patterns,
        ledger.marks.now,
        ledger.marks.now,
        float(mentions) / ledger.known if ledger.known else 0.0,
    )


def _renew(kept: Tables, ledger: Ledger) -> None:
    """Work out the sections again whose counts have changed, with the root as it was."""
    sections = ledger.section_of.view[kept.faults]
    for section in np.unique(sections):
        if section < ledger.marks.of_section.size and ledger.marks.of_section.view[section] > kept.now:
            mine = np.flatnonzero(sections == section)
            faults = kept.faults[mine]
            counts, totals = counts_of(ledger, kept.layout, faults)
            opinion = kept.opinion[:, mine] if kept.opinion is not None else None
            given, general, _ = likelihood(
                ledger.section_of.view[faults], counts, totals, kept.root, kept.weights, opinion
            )
            kept.logs[:, mine] = np.log(np.maximum(given, LEAST))
            if kept.general is not None and general is not None:
                kept.general[:, mine] = general
            silent = kept.layout.silent
            kept.silent[mine] = kept.weights.exponent[silent] @ kept.logs[np.ix_(silent, mine)]
            if kept.patterns is not None:
                renew_patterns(kept.patterns, mine, given)
    kept.now = ledger.marks.now
