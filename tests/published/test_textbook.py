"""Textbook situations: what anyone in the trade would look at first. Common practice, no published source.

Targets: the right section leads in at least 75 of 100, is among the first three in at least 90, and a section
that the readings exclude leads in at most 5.
"""

from __future__ import annotations

import plain_general
import pytest
import textbook
from factories import bring, fresh_shop

from kb.suggest.general_knowledge import general_knowledge


@pytest.mark.parametrize("file", ["textbook_own.toml", "textbook_second.toml"])
@pytest.mark.parametrize("with_family", [True, False], ids=["with the family", "without a family"])
def test_general_knowledge_alone_ranks_textbook_situations(with_family: bool, file: str) -> None:
    shop = fresh_shop()
    bring(shop, textbook.family_line())
    knowledge = general_knowledge("power supply")
    figures, outcomes = textbook.run(
        file,
        lambda one: plain_general.sections_ranked(
            knowledge,
            textbook.evidence_of(shop, one, with_family=with_family),
            textbook.findings_of(shop, one, with_family=with_family),
        ),
    )
    assert figures.count >= 36
    assert figures.leads >= 0.75, textbook.missed(outcomes)
    assert figures.among_three >= 0.90, textbook.missed(outcomes)
    assert figures.excluded_leads <= 0.05, textbook.missed(outcomes)
