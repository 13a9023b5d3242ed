"""The API against its own description: thousands of made-up requests, every answer as described."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
import tiers
from databases import PLACES
from factories import a_case, a_family, bring, fresh_shop
from hypothesis import HealthCheck, Phase, settings
from schemathesis.specs.openapi.checks import negative_data_rejection, positive_data_acceptance

from kb.web.app import create_app

# A schema cannot say that a family must be known or a minimum lie below its maximum, so a body that
# obeys the schema may still be refused.
NOT_HELD: Any = [positive_data_acceptance]

schemathesis.serializer.alias("application/x-ndjson", "text/plain")

place = PLACES.mark()
shop = fresh_shop()
PLACES.keep_since(place)
app = create_app(shop)
# The quick tier goes without the thousands of cases that cover each bound of each field.
config = schemathesis.Config()
config.projects.default.phases.coverage.enabled = tiers.IS_LONG
schema = schemathesis.openapi.from_asgi(
    "/api/openapi.json", app, headers={"Host": "127.0.0.1"}, config=config
)


@pytest.fixture(scope="module", autouse=True)
def stocked() -> Iterator[None]:
    """A shop of its own, since the requests write."""
    assert bring(shop, a_family(), a_case("one")).saved
    yield
    shop.close()


@schema.parametrize()
@settings(
    max_examples=tiers.examples(40),
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_every_answer_is_one_that_the_description_names(case: schemathesis.Case) -> None:
    # Lines are no JSON body: what is wrong with one is told in the report, which may well be a 200.
    lines = case.operation.path == "/api/import"
    not_held = [*NOT_HELD, negative_data_rejection] if lines else NOT_HELD
    case.call_and_validate(headers={"Host": "127.0.0.1"}, excluded_checks=not_held)
