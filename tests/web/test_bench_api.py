"""The bench's calls for outside tools: load plans and discharges."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import bench_people as people
import httpx
import pytest
from web_client import error_of

pytestmark = pytest.mark.anyio


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
async def tool(tmp_path: Path) -> AsyncIterator[httpx.AsyncClient]:
    async with people.client(people.new_shop(tmp_path)) as one:
        yield one


async def test_a_load_plan_answers_with_what_each_element_does(tool: httpx.AsyncClient) -> None:
    body = {"family": "hx210", "targets": [{"rail": "12v", "amps": 1.7}, {"rail": "5VSB", "amps": 0.5}]}
    answer = await tool.post("/api/bench/load-plan", json=body)
    assert answer.status_code == 200
    found = answer.json()
    assert set(found) >= {"plans", "total_w"}
    first, second = found["plans"]
    assert first["rail"] == "12V"
    assert first["rated_fraction"] == pytest.approx(first["amps"] / 3.0)
    for plan, volts in ((first, 12.0), (second, 5.0)):
        for element in plan["elements"]:
            assert element["volts_each"] * element["series"] == pytest.approx(volts)
            assert element["watts_each"] == pytest.approx(element["volts_each"] * element["amps_each"])
        drawn = sum(element["amps_each"] * element["parallel"] for element in plan["elements"])
        assert drawn == pytest.approx(plan["amps"])
    assert found["total_w"] == pytest.approx(first["amps"] * 12 + second["amps"] * 5)


async def test_a_load_plan_is_made_from_the_loads_that_were_sent(tool: httpx.AsyncClient) -> None:
    lamp = {
        "record": "load",
        "name": "lamp",
        "kind": "lamp",
        "points": [[12.0, 1.75]],
        "max_w": 40,
        "count": 1,
    }
    body: dict[str, Any] = {"targets": [{"volts": 12.0, "amps": 1.75}], "loads": [lamp]}
    plan = (await tool.post("/api/bench/load-plan", json=body)).json()["plans"][0]
    assert [element["load"] for element in plan["elements"]] == ["lamp"]
    # Cold, a filament has a tenth to a sixteenth of its hot resistance.
    assert plan["cold_low_amps"] == pytest.approx(17.5)
    assert plan["cold_amps"] == pytest.approx(28.875)
    assert any("Cold filaments" in text for text in plan["warnings"])
    body["loads"] = ["10 ohm 50 W"]
    plan = (await tool.post("/api/bench/load-plan", json=body)).json()["plans"][0]
    assert {element["load"] for element in plan["elements"]} == {"10 ohm 50 W"}


async def test_a_discharge_follows_the_exponential(tool: httpx.AsyncClient) -> None:
    body = {"farads": 120e-6, "volts": 385, "ohms": 2200, "to_v": 60}
    found = (await tool.post("/api/bench/discharge", json=body)).json()
    assert found["tau_s"] == pytest.approx(0.264)
    assert found["seconds"] == pytest.approx(0.264 * math.log(385 / 60))
    assert found["joules"] == pytest.approx(120e-6 * 385**2 / 2)
    assert found["peak_w"] == pytest.approx(385**2 / 2200)
    assert set(found["suggested"]) == {"ohms", "watts", "seconds"}


@pytest.mark.parametrize(
    ("path", "body", "field"),
    [
        ("discharge", {"farads": 0, "volts": 385}, "farads"),
        ("discharge", {"farads": 1e-4, "volts": 385, "ohms": 0}, "ohms"),
        ("discharge", {"farads": 1e-4, "volts": 385, "to_v": 0}, "to_v"),
        ("discharge", {"farads": 1e-4, "volts": 385, "amps": 3}, "amps"),
        ("load-plan", {"targets": []}, "targets"),
        ("load-plan", {"targets": [{"amps": 1}]}, "targets"),
        ("load-plan", {"targets": [{"volts": 12, "amps": 0}]}, "targets.0.amps"),
        ("load-plan", {"targets": [{"volts": 0, "amps": 1}]}, "volts"),
        ("load-plan", {"family": "HX-210", "targets": [{"rail": "48V", "amps": 1}]}, "rail"),
        ("load-plan", {"targets": [{"rail": "48V", "amps": 1}]}, "rail"),
    ],
)
async def test_what_cannot_be_planned_is_refused_with_its_field(
    tool: httpx.AsyncClient, path: str, body: dict[str, Any], field: str
) -> None:
    answer = await tool.post(f"/api/bench/{path}", json=body)
    assert answer.status_code == 422, answer.text
    error = answer.json()["error"]
    assert (error.get("field") or "").endswith(field)
    assert error["message"]


async def test_unknown_families_and_loads_are_not_found(tool: httpx.AsyncClient) -> None:
    for body in (
        {"family": "nothing", "targets": [{"volts": 12, "amps": 1}]},
        {"targets": [{"volts": 12, "amps": 1}], "loads": ["nothing"]},
    ):
        answer = await tool.post("/api/bench/load-plan", json=body)
        assert answer.status_code == 404
        assert "nothing" in error_of(answer)["message"]


async def test_a_load_that_cannot_be_is_refused_in_words_and_a_named_one_is_found(
    tool: httpx.AsyncClient,
) -> None:
    def asked(load: object) -> dict[str, object]:
        return {"targets": [{"volts": 12, "amps": 1}], "loads": [load]}

    nothing = {"record": "load", "name": "short", "kind": "resistor", "ohm": 0, "max_w": 5}
    answer = await tool.post("/api/bench/load-plan", json=asked(nothing))
    assert answer.status_code == 422
    assert "Ohm" in answer.json()["error"]["message"]
    assert "not above 0" in answer.json()["error"]["message"]
    named = await tool.post("/api/bench/load-plan", json=asked(people.RESISTOR.name))
    assert named.status_code == 200
