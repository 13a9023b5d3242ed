"""The bench test of one board: started, stepped through, stopped and taken up again, judged, kept.

A run is one pass through the steps. A repaired board is tested in a run of its own, because nothing that
was measured before the repair proves anything after it, the dead checks included.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session

from kb.bench.circumstances import LOAD_KINDS
from kb.bench.sequence import SOAK_S
from kb.bench.sequence_judge import BULK_STEP, judge_step
from kb.bench.sequence_types import BenchSequence, Entry, Step, StepResult
from kb.bench.sequence_verdict import sequence_verdict
from kb.errors import BadInput, Conflict
from kb.facts.quantities import parse_quantity
from kb.model import CaseRecord, FamilyRecord, Reading, as_dict
from kb.service.bench import symptoms
from kb.service.bench.entry import Question, Typed, around_dict, as_reading, doubt, read_entry
from kb.service.bench.family import bench_family, drawing
from kb.service.bench.view import RunView, StepView, sequence_for, verdict_dict, view_of
from kb.service.boards import families
from kb.service.shop.shop import Shop
from kb.service.shop.translate import find_rail
from kb.store.records import bench_runs, case_lists, cases
from kb.store.records import families as stored_families
from kb.store.records.bench_runs import StoredRun
from kb.store.records.cases import Writer
from kb.store.tables.core import now

__all__ = [
    "MOST_READINGS",
    "SOAK_S",
    "NewRun",
    "Question",
    "RunView",
    "StepView",
    "Typed",
    "acknowledge",
    "change_loads",
    "enter",
    "finish",
    "finished",
    "go_on",
    "held_back",
    "leave_out",
    "of_case",
    "on_mains",
    "put_back",
    "reopen",
    "sheet_of",
    "start",
    "start_clock",
    "state_isolation",
    "take_back",
    "under_way",
    "view",
]

MOST_READINGS = 500
_MOST_NOTES = 20_000


@dataclass(frozen=True, slots=True)
class NewRun:
    """How a test is set up. `loads` gives for each rail (amperes, what to connect), and its nature where known.

    `isolated` states an isolating transformer.
    """

    family: str
    case_uid: str | None = None
    label: str = ""
    after_repair: bool = False
    isolated: bool = False
    soak_s: float = SOAK_S
    wet: bool = False
    loads: Mapping[str, tuple[float, str] | tuple[float, str, str]] | None = None


def start(shop: Shop, new: NewRun) -> str:
    """Begins a test and returns its uid. Raises NotFound, and BadInput for a family that cannot be tested."""
    record, _ = families.get(shop, new.family)
    loads = loads_dict(new.loads or {})
    with shop.write() as session:
        good_ohm = _good_ohms(session, record)
        sequence = sequence_for(record, new.isolated, new.soak_s, loads, good_ohm)
        if new.case_uid is not None:
            stored = cases.get(session, new.case_uid)
            _refuse_binned(stored)
            if stored.record.family != record.code:
                raise BadInput(
                    f"The case is about {stored.record.family} and not about {record.code}.",
                    field="family",
                    remedy="Start the test from the case.",
                )
        return bench_runs.add(
            session,
            family=record.code,
            case_uid=new.case_uid,
            values={
                "label": plain_line(new.label, 80),
                "after_repair": new.after_repair,
                "isolated": new.isolated,
                "soak_s": new.soak_s,
                "loads": loads,
                "left_out": {},
                "setup": ({"good_ohm": good_ohm} if good_ohm else {}) | ({"wet": True} if new.wet else {}),
                "family": as_dict(record),
                "verdict": verdict_dict(sequence_verdict(sequence, {})),
                "state": "not finished",
            },
        )


def loads_dict(
    chosen: Mapping[str, tuple[float, str] | tuple[float, str, str]],
) -> dict[str, dict[str, object]]:
    """The loads of a run as they are kept. Raises BadInput for a nature that is not in the list."""
    kept: dict[str, dict[str, object]] = {}
    for name, (amps, what, *rest) in chosen.items():
        kind = str(rest[0]) if rest else ""
        if kind and kind not in LOAD_KINDS:
            raise BadInput(
                f"A load is not “{plain_line(kind, 20)}”.",
                field="loads",
                remedy=f"Choose one of: {', '.join(LOAD_KINDS)}.",
            )
        kept[name] = {"amps": amps, "what": plain_line(what, 200)} | ({"kind": kind} if kind else {})
    return kept


def _good_ohms(session: Session, record: FamilyRecord) -> dict[str, list[float]]:
    """What good boards of the family read to ground, by the family's own name of the rail."""
    found: dict[str, list[float]] = {}
    stored = stored_families.find(session, record.code)
    for name, ohms in case_lists.good_ground_ohms(session, stored[0]) if stored else ():
        rail = find_rail(record, name)
        if rail is not None:
            found.setdefault(rail.name, []).append(ohms)
    return found


def sheet_of(
    record: FamilyRecord, *, isolated: bool = False, soak_s: float = SOAK_S
) -> tuple[BenchSequence, tuple[StepView, ...]]:
    """The steps of a family with nothing entered, for a sheet to be filled in by hand."""
    sequence = sequence_for(record, isolated, soak_s, {})
    return sequence, tuple(
        StepView(number, step, (), (), None, "", drawing(record, step), None)
        for number, step in enumerate(sequence.steps, 1)
    )


def on_mains(record: FamilyRecord) -> bool:
    """False for a family that another supply feeds."""
    return bench_family(record).on_mains


def view(shop: Shop, uid: str) -> RunView:
    """One run. Raises NotFound."""
    with shop.read() as session:
        return view_of(bench_runs.get(session, uid))


def under_way(shop: Shop) -> tuple[RunView, ...]:
    """All boards under test, the oldest first. A run is judged again once something of it has changed."""
    with shop.read() as session:
        found = bench_runs.under_way(session)
    kept: dict[str, RunView] = shop.kept.notes("boards under test")
    before = [kept.get(run.uid) for run in found]
    views = tuple(
        old if old is not None and old.run == run else view_of(run)
        for run, old in zip(found, before, strict=True)
    )
    kept.clear()
    kept.update((view.run.uid, view) for view in views)
    return views


def finished(shop: Shop) -> tuple[StoredRun, ...]:
    """The latest finished tests."""
    with shop.read() as session:
        return tuple(bench_runs.finished(session))


def of_case(shop: Shop, case_uid: str) -> tuple[RunView, ...]:
    """All tests of a case, the newest first."""
    with shop.read() as session:
        return tuple(view_of(run) for run in bench_runs.of_case(session, case_uid))


def acknowledge(shop: Shop, uid: str) -> None:
    """Notes that the cautions were read for this board."""
    with shop.write() as session:
        run = bench_runs.hold(session, uid)
        if run.acknowledged_at is None:
            bench_runs.note_cautions_read(session, run.id)


def enter(
    shop: Shop, uid: str, number: int, typed: Typed, *, seen: int | None = None, sure: bool = False
) -> StepResult | Question:
    """Judges and keeps what was typed at a step, in the run and as a reading of its case.

    `seen` is how many entries of the step the person saw: a second press of the same button adds nothing.
    `sure` answers the question that a doubtful unit raises.

    Raises:
        BadInput: for what cannot be read, and for a powered step while a dead check is missing or wrong.
        Conflict: when somebody else entered something at this step meanwhile.
    """
    with shop.write() as session:
        found = view_of(bench_runs.hold(session, uid))
        place = found.step(number)
        step = place.step
        written = _written(typed, shop.instruments.origin(typed.taken, typed.value))
        if seen is not None and seen != len(place.entries):
            if place.entries and place.entries[-1].written == written:
                return place.results[-1]
            raise Conflict(
                "Somebody else entered a value at this step meanwhile.",
                field="value",
                remedy="Look at it before you enter yours.",
            )
        _refuse_early(found, place)
        entry = read_entry(step, typed)
        around = around_dict(entry, typed)
        load_a = _load(step, typed)
        result = judge_step(found.sequence, step.key, entry, _before(found))
        question = None
        if not sure:
            question = doubt(step, typed, entry, bool(result.assessment and result.assessment.asks))
        if question is not None:
            return question
        _keep(session, found, place, _Kept(entry, written, load_a, around, result))
    shop.refresh()
    return result


def _before(found: RunView) -> dict[str, Sequence[StepResult]]:
    return {one.step.key: one.results for one in found.steps if one.results}


def plain_line(text: str, most: int) -> str:
    """Words on one line, without the invisible characters that some databases refuse."""
    return " ".join("".join(one if one.isprintable() else " " for one in text).split())[:most]


def _written(typed: Typed, origin: str) -> str:
    parts = [typed.value.strip() or typed.answer]
    parts += [f"min {typed.low.strip()}"] if typed.low.strip() else []
    parts += [f"max {typed.high.strip()}"] if typed.high.strip() else []
    parts += [f"({origin})"] if origin else []
    return plain_line(" ".join(part for part in parts if part), 200)


def _load(step: Step, typed: Typed) -> float | None:
    if not step.takes_load or not typed.load.strip():
        return None
    amps = float(parse_quantity(typed.load, "A", field="load"))
    if amps <= 0:
        raise BadInput(
            f"A load of {amps:g} A on {step.rail} is none.",
            field="load",
            remedy="Type what the load draws, or leave this test under load out.",
        )
    return amps


def _refuse_early(found: RunView, place: StepView) -> None:
    """Mains stays off until the cautions are read and every dead check is right or does not apply."""
    if found.run.acknowledged_at is None:
        raise BadInput(
            "The cautions were not read yet.", field="cautions", remedy="Read them and press the button."
        )
    if place.step.powered and found.sequence.refused:
        raise BadInput(found.sequence.refused, field="value", remedy="State the transformer at the test.")
    earlier = [one for one in found.steps[: place.number - 1] if one.step.stops]
    if place.step.powered:
        stays_off = "Mains stays off" if found.sequence.on_mains else "The board stays unplugged"
        for one in earlier:
            if one.outcome not in ("right", "doubtful", "left out"):
                raise BadInput(
                    f"{stays_off}: “{one.step.title}” is {'wrong' if one.outcome else 'not done yet'}.",
                    field="value",
                    remedy="Do the dead checks first.",
                )
        _refuse_beyond_high(found, place)
        return
    for one in earlier:
        if one.step.key == BULK_STEP and not one.outcome:
            raise BadInput(
                "The bulk capacitor was not measured yet, so nobody knows whether it is charged.",
                field="value",
                remedy="Measure the bulk capacitor first.",
            )
        if one.outcome == "wrong" and one.step.key not in found.went_on:
            raise BadInput(
                f"“{one.step.title}” is wrong, and nothing moves on from it by itself.",
                field="value",
                remedy="Measure it again, or say there why you go on.",
            )


def held_back(found: RunView, place: StepView) -> BadInput | None:
    """Why nothing may be entered at a step yet, None where it may."""
    try:
        _refuse_early(found, place)
    except BadInput as error:
        return error
    return None


def _refuse_beyond_high(found: RunView, place: StepView) -> None:
    """Nothing is done, and no load connected, past a rail that stands too high."""
    for one in found.steps[: place.number - 1]:
        if one.step.key in found.stopped and not one.step.stops and one.step.key not in found.went_on:
            raise BadInput(
                f"“{one.step.title}” stands too high, and nothing moves on from it by itself.",
                field="value",
                remedy="Measure it again, or say there why you go on.",
            )


def go_on(shop: Shop, uid: str, number: int, reason: str) -> None:
    """Goes on although this step is wrong, with the reason on record.

    From a dead check only the other dead checks follow: mains stays off all the same.

    Raises:
        BadInput: without a reason, and for a step that stops nothing.
    """
    with shop.write() as session:
        found = view_of(bench_runs.hold(session, uid))
        place = found.step(number)
        if place.step.key not in found.stopped:
            raise BadInput("This step is not wrong.", field="reason", remedy="Go on with the next step.")
        words = plain_line(reason, 120)
        if not words:
            raise BadInput("No reason was given.", field="reason", remedy="Say why you go on from here.")
        setup = {**found.run.setup, "went_on": {**found.went_on, place.step.key: words}}
        bench_runs.change(session, found.run.id, {"setup": setup})
    shop.refresh()


def state_isolation(shop: Shop, uid: str) -> None:
    """Notes that this board is fed through an isolating transformer."""
    with shop.write() as session:
        bench_runs.change(session, bench_runs.hold(session, uid).id, {"isolated": True})
        _note_state(session, uid)
    shop.refresh()


def start_clock(shop: Shop, uid: str, number: int) -> None:
    """Starts the clock of a step that lasts, from now on; it runs on in the store and survives a closed page."""
    with shop.write() as session:
        found = view_of(bench_runs.hold(session, uid))
        place = found.step(number)
        if place.step.hold_s is None:
            raise BadInput("This step has no clock.", field="step", remedy="Go on with the test.")
        clocks = {**found.run.setup.get("clocks", {}), place.step.key: now().isoformat()}
        bench_runs.change(session, found.run.id, {"setup": {**found.run.setup, "clocks": clocks}})


def change_loads(
    shop: Shop, uid: str, chosen: Mapping[str, tuple[float, str] | tuple[float, str, str]]
) -> None:
    """Plans the loads of the rest of a test again; what was entered keeps what was on the rail then.

    Raises:
        BadInput: for an amount that is not above 0 or a nature that is not in the list.
    """
    with shop.write() as session:
        found = view_of(bench_runs.hold(session, uid))
        loads = loads_dict(chosen)
        sequence_for(found.family, found.run.isolated, found.run.soak_s, loads)
        bench_runs.change(session, found.run.id, {"loads": loads})
        _note_state(session, uid)
    shop.refresh()


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is kept of an entry: as judged, as written, the load in amperes, and what was noted beside it."""

    entry: Entry
    written: str
    load_a: float | None
    around: dict[str, Any]
    result: StepResult


def _keep(session: Session, found: RunView, place: StepView, kept: _Kept) -> None:
    run, entry = found.run, kept.entry
    reading = as_reading(place.step, entry, kept.written, after_repair=run.after_repair, result=kept.result)
    bench_runs.enter(
        session,
        run.id,
        {
            "step": place.step.key,
            "value": entry.value,
            "min": entry.min,
            "max": entry.max,
            "open": entry.open,
            "done": entry.done,
            "written": kept.written,
            "load_a": kept.load_a,
            "around": kept.around,
            "reading": None if reading is None else as_dict(reading),
        },
    )
    if run.case_uid is not None and reading is not None:
        add_readings(session, run.case_uid, [reading])
    _note_state(session, run.uid)


def _note_state(session: Session, uid: str) -> None:
    """Keeps the verdict with the run, and in the case the symptoms that its dead checks found."""
    found = view_of(bench_runs.hold(session, uid))
    noted = symptoms.settle(session, found)
    bench_runs.change(
        session,
        found.run.id,
        {"state": found.verdict.state, "verdict": {**verdict_dict(found.verdict), "noted": noted}},
    )


def _refuse_binned(stored: cases.StoredCase) -> None:
    if stored.binned_at is not None:
        raise BadInput("The case is in the bin.", field="case", remedy="Take it out of the bin first.")


def add_readings(session: Session, case_uid: str, readings: list[Reading]) -> None:
    """Adds readings to a case within a transaction. Raises BadInput where the case holds too many."""
    bench_runs.hold_case(session, cases.get(session, case_uid).id)
    stored = cases.get(session, case_uid)
    _refuse_binned(stored)
    kept = [*stored.record.readings, *readings]
    if len(kept) > MOST_READINGS:
        raise BadInput(
            f"The case holds {MOST_READINGS} readings already.",
            field="value",
            remedy="Take out those that are no longer needed.",
        )
    Writer(session).write([stored.record.model_copy(update={"readings": kept})])


def take_back(shop: Shop, uid: str, number: int) -> None:
    """Takes the last entry of a step back, and its reading out of the case. Raises BadInput."""
    with shop.write() as session:
        found = view_of(bench_runs.hold(session, uid))
        place = found.step(number)
        if not place.entries:
            raise BadInput("Nothing was entered at this step.", field="value", remedy="Go on with the test.")
        last = place.entries[-1]
        bench_runs.take_back(session, last.id)
        if found.run.case_uid is not None and last.reading is not None:
            _drop_reading(session, found.run.case_uid, last.reading)
        _note_state(session, uid)
    shop.refresh()


def _drop_reading(session: Session, case_uid: str, reading: dict[str, object]) -> None:
    record = cases.get(session, case_uid).record
    for place in range(len(record.readings) - 1, -1, -1):
        if as_dict(record.readings[place]) == reading:
            kept = [*record.readings[:place], *record.readings[place + 1 :]]
            Writer(session).write([record.model_copy(update={"readings": kept})])
            return


def leave_out(shop: Shop, uid: str, number: int, reason: str) -> None:
    """Leaves a step out; the verdict and the report say so. Raises BadInput for the discharge."""
    with shop.write() as session:
        found = view_of(bench_runs.hold(session, uid))
        step = found.step(number).step
        if not found.may_leave_out(step):
            raise BadInput(
                "The discharge is never left out.", field="value", remedy="Measure: it takes one minute."
            )
        left_out = {**found.run.left_out, step.key: plain_line(reason, 120) or "not done"}
        bench_runs.change(session, found.run.id, {"left_out": left_out})
        _note_state(session, uid)
    shop.refresh()


def put_back(shop: Shop, uid: str, number: int) -> None:
    """Undoes `leave_out`."""
    with shop.write() as session:
        found = view_of(bench_runs.hold(session, uid))
        key = found.step(number).step.key
        left_out = {name: why for name, why in found.run.left_out.items() if name != key}
        bench_runs.change(session, found.run.id, {"left_out": left_out})
        _note_state(session, uid)
    shop.refresh()


def finish(shop: Shop, uid: str) -> RunView:
    """Ends a test and writes its verdict into the notes of its case."""
    with shop.write() as session:
        finish_within(session, shop, uid)
    shop.refresh()
    return view(shop, uid)


def finish_within(session: Session, shop: Shop, uid: str) -> None:
    """The same within a transaction; a finished test is left as it is."""
    _note_state(session, uid)
    found = view_of(bench_runs.hold(session, uid))
    if found.run.finished_at is not None:
        return
    bench_runs.end(session, found.run.id)
    if found.run.case_uid is not None:
        when = " after the repair" if found.run.after_repair else ""
        line = f"Bench test{when}, {shop.today().isoformat()}: {found.verdict.sentence}"
        record = cases.get(session, found.run.case_uid).record
        notes = f"{record.notes}\n{line}".strip()
        if len(notes) <= _MOST_NOTES and line not in record.notes:
            write_case(session, record.model_copy(update={"notes": notes}))


def write_case(session: Session, record: CaseRecord) -> None:
    """Writes a case within a transaction."""
    Writer(session).write([record])


def reopen(shop: Shop, uid: str) -> None:
    """Takes a finished test up again."""
    with shop.write() as session:
        bench_runs.change(session, bench_runs.hold(session, uid).id, {"finished_at": None})
