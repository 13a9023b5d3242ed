"""The bench's computations: load plans and discharges."""

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import BaseModel, Discriminator, Field, Tag

from kb.model import LoadRecord
from kb.model.base import Record
from kb.model.fields import Words
from kb.service.bench import calculators, loads
from kb.service.boards import families
from kb.web.dependencies import ShopHere

router = APIRouter()

# Far below anything at a bench, and far above where quotients leave the range of numbers.
Amount = Annotated[float, Field(ge=1e-6, le=1e9, allow_inf_nan=False)]
Volts = Annotated[float, Field(ge=1e-3, le=1e6, allow_inf_nan=False)]
Farads = Annotated[float, Field(ge=1e-12, le=1e4, allow_inf_nan=False)]


class Target(Record):
    """Current wanted from a rail, named as the family does or by its volts."""

    rail: Words | None = None
    volts: Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)] | None = None
    amps: Amount


def _named_or_whole(given: Any) -> str:
    return "name" if isinstance(given, str) else "record"


LoadGiven = Annotated[
    Annotated[Words, Tag("name")] | Annotated[LoadRecord, Tag("record")], Discriminator(_named_or_whole)
]


class LoadPlanBody(Record):
    """Targets, and the loads to choose from: names of the shelf or whole records; all of it if left out."""

    family: Words | None = None
    targets: Annotated[list[Target], Field(min_length=1, max_length=24)]
    loads: Annotated[list[LoadGiven], Field(max_length=200)] | None = None
    label_w: Amount | None = None


class ElementOut(BaseModel):
    load: str
    series: int
    parallel: int
    volts_each: float
    amps_each: float
    watts_each: float


class RailPlanOut(BaseModel):
    """`cold_amps` is the most that cold filaments may draw at switch-on, `cold_low_amps` the least."""

    rail: str
    amps: float
    elements: list[ElementOut]
    cold_amps: float
    cold_low_amps: float
    rated_fraction: float | None
    warnings: list[str]


class LoadPlanOut(BaseModel):
    plans: list[RailPlanOut]
    total_w: float
    notes: list[str]


class DischargeBody(Record):
    """A capacitor charged to `volts`; `to_v` is 60 V where it is left out."""

    farads: Farads
    volts: Volts
    ohms: Amount | None = None
    to_v: Volts | None = None


class SuggestedOut(BaseModel):
    ohms: float
    watts: float
    seconds: float


class DischargeOut(BaseModel):
    tau_s: float
    seconds: float
    to_v: float
    joules: float
    peak_w: float
    suggested: SuggestedOut
    sentence: str


@router.post("/bench/load-plan", response_model=LoadPlanOut)
def load_plan(shop: ShopHere, body: LoadPlanBody) -> dict[str, Any]:
    """What to connect to each rail, no load used twice."""
    family = families.get(shop, body.family)[0] if body.family else None
    targets = [loads.target(family, one.rail, one.volts, one.amps) for one in body.targets]
    shelf = None
    if body.loads is not None:
        shelf = [loads.find(shop, one) if isinstance(one, str) else one for one in body.loads]
    found = loads.plan(shop, targets, shelf_of=shelf, label_w=body.label_w)
    return {
        "plans": [
            {
                "rail": plan.rail,
                "amps": plan.amps,
                "elements": [
                    {name: getattr(element, name) for name in ElementOut.model_fields}
                    for element in plan.elements
                ],
                "cold_amps": plan.cold_high_a,
                "cold_low_amps": plan.cold_low_a,
                "rated_fraction": plan.rated_fraction,
                "warnings": plan.warnings,
            }
            for plan in found.plans
        ],
        "total_w": found.total_w,
        "notes": found.notes,
    }


@router.post("/bench/discharge", response_model=DischargeOut)
def discharge(body: DischargeBody) -> dict[str, Any]:
    """How a capacitor empties through a resistor, and a resistor to do it with."""
    to_v = calculators.TARGET_V if body.to_v is None else body.to_v
    found = calculators.discharge(body.farads, body.volts, body.ohms, to_v)
    return {
        "tau_s": found.tau_s,
        "seconds": found.seconds,
        "to_v": found.to_v,
        "joules": found.joules,
        "peak_w": found.peak_w,
        "suggested": {
            "ohms": found.suggested.ohms,
            "watts": found.suggested.watts,
            "seconds": found.suggested.seconds,
        },
        "sentence": found.sentence,
    }
