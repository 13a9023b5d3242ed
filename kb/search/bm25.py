"""BM25F over arrays, exact: every document that holds a term is scored, none is skipped.

S. Robertson, H. Zaragoza and M. Taylor, "Simple BM25 extension to multiple weighted fields", CIKM 2004: counts
and lengths are weighted by field first and saturated once,

    weight(t, d) = sum over fields f of w_f count(t, f, d)
    length(d)    = sum over fields f of w_f words(f, d)
    score(q, d)  = sum over t in q of idf(t) (k1 + 1) weight(t, d) /
                   (k1 (1 - b + b length(d)/mean length) + weight(t, d))

which is BM25 itself (S. Robertson and H. Zaragoza, "The Probabilistic Relevance Framework: BM25 and Beyond",
Foundations and Trends in Information Retrieval 3, 2009) for one field of weight 1. The idf is the one that can
never become negative. Weights and lengths are summed in `kb.search.case_terms`. A length norm and a b for each
field of their own (H. Zaragoza and others, "Microsoft Cambridge at TREC-13", 2004) were measured and did not
find better; the figures are in README.md beside this file.
"""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import NDArray

K1 = 1.2
B = 0.75


def idf(documents: int, holding: int) -> float:
    """Inverse document frequency ln(1 + (N - n + 1/2)/(n + 1/2)) of a term that n = `holding` of
    N = `documents` hold; above zero."""
    return log(1.0 + (documents - holding + 0.5) / (holding + 0.5))


def length_norms(
    lengths: NDArray[np.float32], mean_length: float, *, k1: float = K1, b: float = B
) -> NDArray[np.float32]:
    """k1 (1 - b + b length/mean) of each document; `lengths` are weighted as above and give the shape."""
    norms = lengths * np.float32(k1 * b / mean_length if mean_length else 0.0)
    norms += np.float32(k1 * (1.0 - b))
    return norms


def saturated(
    weights: NDArray[np.float32], norms: NDArray[np.float32], *, k1: float = K1, times: float = 1.0
) -> NDArray[np.float32]:
    """weight (k1 + 1)/(weight + norm) for each posting, `times` a factor; arrays have one entry a posting."""
    values = weights + norms
    np.divide(weights, values, out=values)
    values *= np.float32((k1 + 1.0) * times)
    return values
