"""Which cases mean something else once a list of names has changed.

The terms of a text depend on its letters alone; only the names found among them depend on the lists. So a
case reads otherwise only where it holds all words of a spelling that means something else now, and those
cases the index itself can tell.
"""

from __future__ import annotations

import numpy as np

from kb.search.analysis import Analysis
from kb.search.engine import State, holding_all


def cases_to_read_again(state: State, before: Analysis, now: Analysis) -> list[str]:
    """Uids of the live cases that `now` may read otherwise than `before` did."""
    touched = np.zeros(state.offsets[-1], bool)
    for terms in now.lexicon.differing(before.lexicon):
        touched |= holding_all(state, terms)
    alive = np.concatenate(state.alive) if state.alive else touched
    return [state.document(int(slot)).uid for slot in np.flatnonzero(touched & alive)]
