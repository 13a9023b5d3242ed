"""Make the bench sequence of a family from its rails, connectors, enable line and mains section.

Order: dead checks, first energising with the current limited, standby, enable, every switched rail unloaded and
under test load, ripple, cold starts, soak. Limits are common practice (`kb.bench.limits`); windows are the
family's own.
"""

from __future__ import annotations

from collections.abc import Mapping

from kb.bench.checks import positive
from kb.bench.enable import EnablePlan, plan_enable
from kb.bench.limits import TOUCH_V, WET_TOUCH_V
from kb.bench.rail_types import RailSpec
from kb.bench.sequence_dead import mains_checks, output_rectifier
from kb.bench.sequence_powered import COLD_STARTS, StepMaker, output_section
from kb.bench.sequence_types import STAGES, BenchFamily, BenchRail, BenchSequence, Step, cautions_together
from kb.errors import BadInput

__all__ = ["COLD_STARTS", "SOAK_S", "bench_sequence", "output_section"]

SOAK_S = 1800.0


def bench_sequence(
    family: BenchFamily,
    *,
    isolation_stated: bool = False,
    load_amps: Mapping[str, float] | None = None,
    load_kinds: Mapping[str, str] | None = None,
    soak_s: float = SOAK_S,
    wet: bool = False,
) -> BenchSequence:
    """The steps for one board of this family.

    Steps that measure the energised primary are left out, and named as such, unless an isolating transformer is
    stated. Where the outputs are not isolated, or not known to be, every powered step is refused until it is.
    `load_amps` says what current the test load draws from each rail, `load_kinds` its nature (`LOAD_KINDS`). `wet`
    says that hands, floor or board may be damp, which halves what may be touched.

    Raises:
        BadInput: when two rails share a name or an amount is not above 0.
    """
    names = [rail.spec.name for rail in family.rails]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise BadInput(f"Two rails are named {twice}.", field="rails", remedy="Give each rail its own name.")
    positive(soak_s, "soak_s", "the soak time", "Type seconds, such as 1800.")
    for name, drawn in (load_amps or {}).items():
        positive(drawn, "load_amps", f"the test load on {name}", "Type amperes, such as 3.")
    touch_v = WET_TOUCH_V if wet else TOUCH_V
    maker = StepMaker(family, load_amps or {}, load_kinds or {}, soak_s, touch_v)
    outputs = [rail for rail in family.rails if not rail.on_primary]
    primary = [rail for rail in family.rails if rail.on_primary]
    plan = _enable_plan(family)
    steps = _steps(maker, outputs, primary if isolation_stated else [], plan)
    watts = sum(
        abs(rail.spec.nominal_v) * (load_amps or {}).get(rail.spec.name, 0.0) for rail in family.rails
    )
    return BenchSequence(
        family=family.code,
        steps=tuple(sorted(steps, key=lambda step: (STAGES.index(step.stage), step.optional))),
        cautions=cautions_together(
            "unpowered", "discharge", *(("battery",) if family.battery else ()), "energise", "load"
        ),
        rails=tuple(rail.spec for rail in family.rails if isolation_stated or not rail.on_primary),
        enable=plan,
        left_out=() if isolation_stated else _left_out(family, primary),
        on_mains=family.on_mains,
        refused=_refused(family, isolation_stated),
        reference=_reference(family, isolation_stated),
        battery=family.battery,
        mains_v=family.mains_v,
        load_kinds=dict(load_kinds or {}),
        load_watts=watts,
        wet=wet,
    )


def _steps(
    maker: StepMaker, outputs: list[BenchRail], primary: list[BenchRail], plan: EnablePlan | None
) -> list[Step]:
    family = maker.family
    steps = [*mains_checks(family), *(maker.to_ground(rail) for rail in outputs)]
    if family.on_mains:
        steps += [output_rectifier(rail.spec, output_section(rail.spec)) for rail in outputs if rail.outgoing]
    steps.append(maker.first_power())
    always = [rail for rail in outputs if rail.spec.always_on]
    steps += [maker.rail_step("standby", rail) for rail in always]
    steps += [maker.standby_loaded(rail) for rail in always if rail.outgoing]
    steps += [maker.rail_step("standby" if rail.spec.always_on else "unloaded", rail) for rail in primary]
    if any(not rail.spec.always_on for rail in outputs):
        steps.append(maker.enable(plan))
    steps += [maker.rail_step("unloaded", rail) for rail in outputs if not rail.spec.always_on]
    # The rail with the most power is loaded first: the others follow it, and a board that cycles wants it most.
    loaded = sorted(
        (rail for rail in outputs if rail.outgoing),
        key=lambda rail: (not rail.spec.always_on, -main_power(rail.spec)),
    )
    steps += [maker.rail_step("loaded", rail) for rail in loaded]
    steps += [maker.ripple(rail) for rail in loaded]
    leading = _leading_rail(loaded)
    if leading is not None:
        steps += [maker.cold_starts(leading), maker.soak(leading), maker.ripple(leading, warm=True)]
    return steps


def _refused(family: BenchFamily, isolation_stated: bool) -> str:
    if not family.mains_reference or isolation_stated:
        return ""
    known = (
        "The outputs of this family are not isolated from the mains"
        if family.isolated is False
        else "It is not known whether the outputs of this family are isolated from the mains, so they are taken as not"
    )
    return (
        f"{known}: probes, loads and the ground of an oscilloscope would be live. No step under power is done until an "
        "isolating transformer is stated; a variable autotransformer does not isolate."
    )


def _reference(family: BenchFamily, isolation_stated: bool) -> str:
    if not family.mains_reference or not isolation_stated:
        return ""
    # One earthed lead at most: with two, the isolating transformer isolates nothing any more.
    return (
        "The reference (0 V) of every output lies on the mains side of the board: behind the transformer only, "
        "one earthed lead at most, and never one hand on it and one on earth."
    )


def _left_out(family: BenchFamily, primary: list[BenchRail]) -> tuple[str, ...]:
    names = [rail.spec.name for rail in primary] or (["the bulk voltage"] if family.bulk_v else [])
    if not names:
        return ()
    return (
        f"{', '.join(names)} under power: on the mains side, so left out until an isolating transformer is stated.",
    )


def _enable_plan(family: BenchFamily) -> EnablePlan | None:
    if family.enable is None:
        return None
    feeding = next((r.spec for r in family.rails if r.spec.name == family.enable.from_rail), None)
    if feeding is None:
        feeding = next((r.spec for r in family.rails if r.spec.role == "standby"), None)
    if feeding is None or feeding.nominal_v <= 0:
        return None
    return plan_enable(family.enable, feeding.nominal_v)


def _leading_rail(outputs: list[BenchRail]) -> BenchRail | None:
    """The rail that tells most about a start: the switched one with the most rated power."""
    switched = [rail for rail in outputs if not rail.spec.always_on] or outputs
    return max(switched, key=lambda r: main_power(r.spec), default=None)


def main_power(spec: RailSpec) -> float:
    """The rated power of a rail in watts, 0 where no rating is known."""
    return abs(spec.nominal_v) * (spec.rated_a or 0.0)
