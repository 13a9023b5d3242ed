"""Textbook situations: what anyone in the trade would look at first. Common practice, no published source.

Targets: the right section leads in at least 75 of 100, is among the first three in at least 90, and a section
that the readings exclude leads in at most 5.
"""

from __future__ import annotations

from collections.abc import Iterator

import plain_general
import pytest
import textbook
from factories import bring, fresh_shop

from kb.service import Shop


@pytest.mark.parametrize("file", ["textbook_own.toml", "textbook_second.toml"])
@pytest.mark.parametrize("with_family", [True, False], ids=["with the family", "without a family"])
def test_general_knowledge_alone_ranks_textbook_situations(with_family: bool, file: str) -> None:
    shop = fresh_shop()
    bring(shop, textbook.family_line())
    figures, outcomes = textbook.run(
        file,
        lambda one: plain_general.sections_ranked(
            textbook.evidence_of(shop, one, with_family=with_family),
            textbook.findings_of(shop, one, with_family=with_family),
        ),
    )
    assert figures.count >= 36
    assert figures.leads >= 0.75, textbook.missed(outcomes)
    assert figures.among_three >= 0.90, textbook.missed(outcomes)
    assert figures.excluded_leads <= 0.05, textbook.missed(outcomes)


@pytest.fixture(scope="module")
def stores() -> Iterator[dict[str, Shop]]:
    """An empty store with the standard family, and one with 20 repaired cases of other families."""
    empty, unrelated = fresh_shop(), fresh_shop()
    bring(empty, textbook.family_line())
    bring(unrelated, textbook.family_line(), *textbook.unrelated_records())
    yield {"empty": empty, "unrelated": unrelated}
    empty.close()
    unrelated.close()


# `textbook_unseen.toml` was written apart from the tables of general knowledge and never tuned against.
@pytest.mark.parametrize("file", ["textbook_own.toml", "textbook_second.toml", "textbook_unseen.toml"])
@pytest.mark.parametrize(
    ("store", "with_family"),
    [("empty", True), ("empty", False), ("unrelated", True)],
    ids=["an empty store", "without a family", "20 unrelated cases"],
)
def test_the_program_ranks_textbook_situations(
    stores: dict[str, Shop], store: str, with_family: bool, file: str
) -> None:
    figures, outcomes = textbook.run(
        file, lambda one: textbook.sections_suggested(stores[store], one, with_family=with_family)
    )
    assert figures.leads >= 0.75, textbook.missed(outcomes)
    assert figures.among_three >= 0.90, textbook.missed(outcomes)
    assert figures.excluded_leads <= 0.05, textbook.missed(outcomes)
