"""Search: one trade analysis, an index that can always be rebuilt, exact ranking, and free-text evidence."""

from __future__ import annotations

from kb.search.analysis import Analysis
from kb.search.bulk import HelperFailed
from kb.search.document import FACETS, OPEN, CaseDocument, Filters, Hit, Results, Snippet
from kb.search.folder import Busy
from kb.search.index import SearchIndex
from kb.search.query import Meant
from kb.search.segment import Damaged
from kb.search.spelling import distance

__all__ = [
    "FACETS",
    "OPEN",
    "Analysis",
    "Busy",
    "CaseDocument",
    "Damaged",
    "Filters",
    "HelperFailed",
    "Hit",
    "Meant",
    "Results",
    "SearchIndex",
    "Snippet",
    "distance",
]
