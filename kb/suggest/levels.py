"""P(answer | fault) from all cases, the section and the fault, beside what is known in general.

Root, section and fault are levels of a hierarchical Dirichlet model (`kb.suggest.back_off`). What is thought of a
fault in general stands beside its section's cases: parent = (N_s P(i|s) + k P0) / (N_s + k), N_s being the cases of
the section that answered the question. With no case that is general knowledge alone; with many it is forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kb.suggest.back_off import back_off
from kb.suggest.evidence_lines import Lines
from kb.suggest.fitted import Fitted
from kb.suggest.questions import (
    ABSENT,
    FOUND,
    KINDS,
    MENTION,
    NOT_NAMED,
    RAIL,
    SILENT,
    Floats,
    Layout,
    Whole,
    by_feature,
)
from kb.suggest.settings import Settings

LEAST = 1e-300  # the logarithm of an impossible answer stays finite: then what is least contradicted leads


@dataclass(frozen=True, slots=True)
class RowWeights:
    """Per row of the count table, (J,): weights of section and root, of general knowledge, and the exponent."""

    k_fault: Floats
    k_section: Floats
    k_general: Floats
    exponent: Floats
    alpha: float


def row_weights(settings: Settings, layout: Layout, lines: Lines) -> RowWeights:
    """The weights that the settings, or what was fitted, give every row."""
    rail = layout.kind == RAIL
    k_general = np.where(rail, settings.k_general_rail, settings.k_general_symptom)
    fitted = settings.fitted
    if fitted is None:
        said = settings.strength if settings.mentions else 0.0
        unsaid = settings.silence if settings.mentions else 0.0
        by_kind = np.empty(KINDS)
        by_kind[[FOUND, RAIL, MENTION, ABSENT, SILENT, NOT_NAMED]] = (
            settings.strength,
            settings.strength,
            said,
            0.0,
            unsaid,
            unsaid,
        )
        return RowWeights(
            np.where(rail, settings.rail_weight, settings.k_fault),
            np.full(layout.rows, settings.k_section),
            k_general,
            by_kind[layout.kind],
            settings.alpha,
        )
    own = _fitted_by_feature(fitted, settings, lines)
    asked = (layout.kind == FOUND) | rail
    return RowWeights(
        np.where(asked, own["k_fault"][layout.feature], own["mention_k_fault"][layout.feature]),
        np.where(asked, own["k_section"][layout.feature], own["mention_k_section"][layout.feature]),
        k_general,
        own["exponents"][layout.kind, layout.feature],
        settings.alpha,
    )


def _fitted_by_feature(fitted: Fitted, settings: Settings, lines: Lines) -> dict[str, Floats]:
    found = {
        name: by_feature(getattr(fitted, name), fitted.features, lines, default)
        for name, default in (
            ("k_fault", settings.k_fault),
            ("k_section", settings.k_section),
            ("mention_k_fault", settings.k_fault),
            ("mention_k_section", settings.k_section),
        )
    }
    found["exponents"] = np.stack(
        [
            by_feature(line, fitted.features, lines, default)
            for line, default in zip(fitted.exponents, fitted.defaults, strict=True)
        ]
    )
    return found


def at_root(
    counts: Floats, totals: Floats, layout: Layout, alpha: float, rows: Whole | None = None
) -> Floats:
    """P(answer) over all faults (J,) from sums over the faults (J,)."""
    levels = layout.levels if rows is None else layout.levels[rows]
    return back_off(counts, totals, 1.0 / levels, alpha * levels)


def beside(parent: Floats, cases: Floats, opinion: Floats | None, weight: Floats) -> Floats:
    """What a fault leans on: its section's share, `cases` strong, beside an opinion of it, `weight` strong.

    All of shape (J, K), `weight` (J, 1); an opinion that is not a number is none.
    """
    if opinion is None:
        return parent
    strong = np.where(np.isnan(opinion), 0.0, weight)
    leaned = (cases * parent + strong * np.nan_to_num(opinion)) / np.maximum(cases + strong, 1e-12)
    return np.where(strong > 0.0, leaned, parent)


def likelihood(
    section_of: Whole,
    counts: Floats,
    totals: Floats,
    root: Floats,
    weights: RowWeights,
    opinion: Floats | None,
) -> tuple[Floats, Floats | None, Floats]:
    """P(answer | fault), the share of it that is general knowledge, and P(answer | its section): all (J, K).

    `section_of` (K,) is each fault's section, `counts` and `totals` (J, K), `root` (J,), `opinion` (J, K) or None;
    the share is not a number where there is no opinion.
    """
    _, where = np.unique(section_of, return_inverse=True)
    member = np.zeros((len(section_of), int(where.max(initial=-1)) + 1))
    member[np.arange(len(where)), where] = 1.0
    section_totals = totals @ member
    section = back_off(counts @ member, section_totals, root[:, None], weights.k_section[:, None])[:, where]
    cases = section_totals[:, where]
    k_general, k_fault = weights.k_general[:, None], weights.k_fault[:, None]
    given = back_off(counts, totals, beside(section, cases, opinion, k_general), k_fault)
    if opinion is None:
        return given, None, section
    lent = k_general / np.maximum(cases + k_general, 1e-12) * k_fault / np.maximum(totals + k_fault, 1e-12)
    return given, np.where(np.isnan(opinion), np.nan, lent), section
