"""BM25 over arrays, exact: every document that holds a term is scored, none is skipped.

S. Robertson and H. Zaragoza, "The Probabilistic Relevance Framework: BM25 and Beyond", Foundations and
Trends in Information Retrieval 3 (2009), with the idf that can never become negative,
ln(1 + (N - n + 1/2)/(n + 1/2)).
"""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import NDArray

K1 = 1.2
B = 0.75


def idf(documents: int, holding: int) -> float:
    """Inverse document frequency of a term that `holding` of `documents` hold; above zero."""
    return log(1.0 + (documents - holding + 0.5) / (holding + 0.5))


def robertson_idf(documents: int, holding: int) -> float:
    """The original idf; negative for a term that more than half of the documents hold."""
    return log((documents - holding + 0.5) / (holding + 0.5))


def length_norms(
    lengths: NDArray[np.float32], mean_length: float, *, k1: float = K1, b: float = B
) -> NDArray[np.float32]:
    """k1 (1 - b + b length/mean) of each document, shape of `lengths`."""
    return (k1 * (1.0 - b) + (k1 * b / mean_length if mean_length else 0.0) * lengths).astype(np.float32)


def saturated(
    weights: NDArray[np.float32], norms: NDArray[np.float32], *, k1: float = K1
) -> NDArray[np.float32]:
    """f (k1 + 1)/(f + norm) for each posting; both arguments and the result have one entry a posting."""
    return weights * np.float32(k1 + 1.0) / (weights + norms)
