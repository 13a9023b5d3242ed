"""Each bench step carries the cautions it needs, in short words, without a standard's limits."""

from __future__ import annotations

import re

import pytest

from kb.facts.cautions import CAUTIONS, METER_CAUTIONS, STEPS, cautions_for


def _keys(step: str) -> set[str]:
    return {caution.key for caution in cautions_for(step)}


def test_every_step_names_the_stored_charge_and_the_local_rules() -> None:
    for step in STEPS:
        assert {"stored charge", "local rules"} <= _keys(step)


@pytest.mark.parametrize("step", ["energise", "primary", "load"])
def test_every_live_step_names_isolation_the_live_primary_and_company(step: str) -> None:
    assert {"isolation", "primary live", "residual current", "not alone"} <= _keys(step)


def test_steps_have_the_cautions_of_their_own() -> None:
    assert "scope" in _keys("primary")
    assert "hot loads" in _keys("load")
    assert "hot loads" not in _keys("unpowered")
    assert "isolation" not in _keys("unpowered")


def test_the_texts_say_the_things_that_kill_when_forgotten() -> None:
    text = {caution.key: caution.text for caution in CAUTIONS}
    assert "autotransformer alone does not isolate" in text["isolation"]
    assert "heat sinks" in text["primary live"]
    assert "resistor" in text["stored charge"]
    assert "measure" in text["stored charge"]
    assert "come first" in text["local rules"]


def test_texts_are_short_and_carry_no_figures() -> None:
    assert len({caution.key for caution in CAUTIONS}) == len(CAUTIONS)
    for caution in (*CAUTIONS, *METER_CAUTIONS):
        assert len(caution.text) <= 220
        assert caution.text.endswith(".")
        assert re.search(r"[0-9]", caution.text) is None
        assert set(caution.when) <= set(STEPS)


def test_an_unknown_step_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown step"):
        cautions_for("soldering")


def test_where_a_bench_instrument_is_wired_up_its_earth_its_leads_and_its_rating_are_told() -> None:
    text = {caution.key: caution.text for caution in METER_CAUTIONS}
    assert "joined to earth" in text["common earthed"]
    assert "ampere socket" in text["lead sockets"]
    assert "measurement category" in text["category"]
    assert "unplugged" in text["asks ohms"]
