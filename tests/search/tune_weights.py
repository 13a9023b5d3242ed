"""Finds weights by going through them one at a time, on the queries that are not held out.

    python tests/search/tune_weights.py

prints each change that raises nDCG@10 by more than a thousandth; a person then takes over what makes sense.
"""

from __future__ import annotations

from collections.abc import Callable, MutableMapping
from typing import Any

from judging import Judge, this_search

from kb.search import case_terms, engine, expansion, query

_STEPS = (0.5, 0.7, 1.4, 2.0)
_LEAST_GAIN = 0.001


def _knobs() -> list[tuple[str, MutableMapping[str, Any], str]]:
    knobs = [(f"zone {name}", case_terms.ZONE_WEIGHTS, name) for name in case_terms.ZONE_WEIGHTS]
    for module, names in (
        (case_terms, ("EXTRA_SHARE",)),
        (
            query,
            ("_WEAK_FACTOR", "_EXTRA_FACTOR", "_IN_NAME_FACTOR", "_NAME_FACTOR", "_ONE_WORD_NAME_FACTOR"),
        ),
        (engine, ("_FULL_ANSWER",)),
        (expansion, ("GUESS_FACTOR", "_PIECE_FACTOR")),
    ):
        knobs += [(f"{module.__name__.rpartition('.')[2]}.{name}", vars(module), name) for name in names]
    return knobs


def _measured(judge: Judge) -> Callable[[], float]:
    return lambda: judge.figures(judge.each(this_search(judge.documents)), held_out=False).ndcg


def main() -> None:
    """Go round until nothing helps."""
    measure = _measured(Judge())
    best = measure()
    print(f"start {best:.4f}", flush=True)
    for turn in range(3):
        before = best
        for label, space, name in _knobs():
            own = space[name]
            chosen = own
            for step in _STEPS:
                space[name] = min(own * step, 1.0) if name == "_FULL_ANSWER" else own * step
                value = measure()
                if value > best + _LEAST_GAIN:
                    best, chosen = value, space[name]
            space[name] = chosen
            if chosen != own:
                print(f"{turn} {label}: {own:g} to {chosen:g}: {best:.4f}", flush=True)
        if best == before:
            return


if __name__ == "__main__":
    main()
