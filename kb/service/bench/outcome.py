"""What follows from a bench test: suggestions where it fails, a fix noted, a case closed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from kb.errors import BadInput
from kb.model import Attempt, CaseRecord, EvidenceRecord, NotedSymptom, Reading, TriedFix
from kb.service.bench import runs, symptoms
from kb.service.bench.part_checks import is_part_check, part_checks
from kb.service.bench.runs import NewRun, RunView
from kb.service.diagnose import diagnosis
from kb.service.diagnose.case_texts import read_text
from kb.service.diagnose.diagnosis import InOrder, Suggestions
from kb.service.parts import shelf
from kb.service.shop.shop import Shop
from kb.store.records import bench_runs, cases, lists
from kb.suggest.in_order import after_endurance


def evidence(shop: Shop, view: RunView, *, limit_readings: int = 40) -> EvidenceRecord:
    """Everything known of the board: the case's complaint and symptoms, its dead checks, readings so far.

    Every answered dead check counts at once as the test judged it, also where it says that something is not so and
    where the meter showed no reading. What it ruled out is no symptom "not present" (see `symptoms.found`): tried,
    those words for every good check ranked the causes of rare surprises first. Of two readings of one kind the later
    counts. A fix whose proof this test was counts as having made no difference once it has failed. Readings from
    before a repair are no evidence after it, and a symptom that the dead checks no longer find is none either.
    """
    with shop.read() as session:
        case = cases.get(session, view.run.case_uid).record if view.run.case_uid else None
        listed = {entry.name for entry in lists.symptoms(session)}
    noted = {entry.name: entry.present for entry in case.symptoms} if case else {}
    noted.update(dict.fromkeys(symptoms.found(view, listed), True))
    if view.run.after_repair:
        gone = {name for name, present in symptoms.told(view).items() if not present}
        noted = {name: present for name, present in noted.items() if name not in gone}
    before = [] if case is None or view.run.after_repair else case.readings
    measured = [_as_it_is(entry.reading) for entry in view.run.entries if entry.reading is not None]
    checked = {_what(one) for one in _check_readings(view)}
    last: dict[_What, Reading] = {}
    for reading in (*(one for one in before if not one.after_repair), *measured):
        if _what(reading) not in checked:
            last[_what(reading)] = reading
    for reading in _without_weight(view):
        if last.get(_what(reading)) == reading:
            del last[_what(reading)]
    return EvidenceRecord(
        family=view.family.code,
        symptoms=[NotedSymptom(name=name, present=present) for name, present in noted.items()],
        readings=list(last.values())[-limit_readings:],
        checks=part_checks(view),
        attempts=[_tried(one) for one in _without_effect(view, case)] if case else [],
        text=(case.complaint or None) if case else None,
    )


_What = tuple[str | None, str | None, str, str, str]


def _what(reading: Reading) -> _What:
    return reading.rail, reading.point, reading.quantity, reading.supply, reading.load


def _as_it_is(reading: Mapping[str, Any]) -> Reading:
    """A reading of this test as evidence: taken after a repair it says how the board is now, and counts."""
    return Reading.model_validate({**reading, "after_repair": False})


def _check_readings(view: RunView) -> Iterator[Reading]:
    """The readings of this test's dead checks, which count as they were judged and not by their numbers."""
    for place in view.steps:
        if is_part_check(place):
            for entry in place.entries:
                if entry.reading is not None:
                    yield _as_it_is(entry.reading)


def _standing(view: RunView) -> set[str]:
    """The rails that stood in their window under load."""
    return {
        str(place.step.rail)
        for place in view.steps
        if place.step.load == "test load" and place.step.quantity == "dc_v" and place.outcome == "right"
    }


def _without_weight(view: RunView) -> Iterator[Reading]:
    """Readings of this test that prove nothing: those that it could not judge (a rail held down by cold lamps, one end
    alone), and what a rail showed with nothing connected once it stands in its window under load."""
    stands = _standing(view)
    for place in view.steps:
        for entry, result in zip(place.entries, place.results, strict=True):
            if entry.reading is None or place.step.kind != "rail":
                continue
            unproven = (
                result.judgement in ("not proven until loaded", "pulsing") and place.step.load == "none"
            )
            if result.judgement == "unknown" or (unproven and place.step.rail in stands):
                yield _as_it_is(entry.reading)


def settled_words(shop: Shop, view: RunView, text: str | None) -> list[str]:
    """What the complaint says of rails that this test has loaded and found right: it is settled, and no evidence."""
    roles = {spec.name: spec.role for spec in view.sequence.rails}
    failed = {str(place.step.rail) for place in view.steps if place.outcome == "wrong" and place.step.rail}
    stands = _standing(view) - failed
    if not stands or not text:
        return []
    said = read_text(shop, text, view.family.code)
    words = [one.words for one in said.readings if one.rail in stands]
    if any(roles.get(name) == "standby" for name in stands):
        words += [one.name for one in said.symptoms if one.name in _STANDBY_LOW]
    return words


_STANDBY_LOW = frozenset(("standby voltage low", "no standby voltage"))


def _tried(attempt: Attempt) -> TriedFix:
    return TriedFix(
        part=attempt.part, part_class=attempt.part_class, section=attempt.section, result=attempt.result
    )


def suggestions(shop: Shop, view: RunView, *, most: int = 3) -> Suggestions:
    """The likeliest causes with all readings so far."""
    asked = evidence(shop, view)
    return suggestions_from(shop, asked, settled_words(shop, view, asked.text), most=most)


def suggestions_from(
    shop: Shop, asked: EvidenceRecord, settled: Sequence[str], *, most: int = 3
) -> Suggestions:
    """The same from what `evidence` and `settled_words` gave."""
    return diagnosis.suggest(shop, asked, limit=most, dropped=settled)


def in_order(shop: Shop, view: RunView) -> InOrder:
    """How likely nothing is wrong with the board after all that is known, and what would settle it.

    Cold starts and a soak count once every one of them was right and nothing was held up from outside.
    """
    asked = evidence(shop, view)
    found = diagnosis.in_order(shop, asked, settled_words(shop, view, asked.text))
    if view.verdict.state == "failed":
        return found
    starts, soaked_s = 0, 0.0
    for place in view.steps:
        alone = all(one.outcome == "right" and one.entry.help is None for one in place.results)
        if place.left_out is not None or not alone:
            continue
        if place.step.stage == "cold starts":
            starts += len(place.results)
        elif place.step.hold_s is not None:
            soaked_s += sum(one.entry.held_s or 0.0 for one in place.results)
    return after_endurance(found, starts=starts, soaked_s=soaked_s)


def make_case(shop: Shop, uid: str) -> str:
    """Opens a case for a run that was started without one, with all its readings; returns the case's uid."""
    view = runs.view(shop, uid)
    if view.run.case_uid is not None:
        return view.run.case_uid
    readings = [
        Reading.model_validate(entry.reading) for entry in view.run.entries if entry.reading is not None
    ]
    record = CaseRecord(
        uid=uid,
        family=view.family.code,
        received=shop.today(),
        symptoms=_dead_checks(shop, view),
        readings=readings,
        notes=f"Bench test, {shop.today().isoformat()}: {view.verdict.sentence}"
        if view.run.finished_at
        else "",
    )
    with shop.write() as session:
        runs.write_case(session, record)
        bench_runs.give_case(session, view.run.id, uid)
        noted = {entry.name: None for entry in record.symptoms}
        bench_runs.change(session, view.run.id, {"verdict": {**view.run.verdict, "noted": noted}})
    shop.refresh()
    return uid


def _dead_checks(shop: Shop, view: RunView) -> list[NotedSymptom]:
    if view.run.after_repair:
        return []
    with shop.read() as session:
        names = symptoms.found(view, {entry.name for entry in lists.symptoms(session)})
    return [NotedSymptom(name=name) for name in names]


def note_fix(shop: Shop, uid: str, attempt: Attempt, *, shelf_part: str = "") -> str:
    """Notes a fix in the case, ends the failed test and begins the one that is to prove it; returns its uid.

    Where the failed test was to prove an earlier fix, that one is noted as having made no difference. With
    `shelf_part` one of it is taken from the shelf for the fix. Raises BadInput where none is left.
    """
    case_uid = make_case(shop, uid)
    view = runs.view(shop, uid)
    with shop.write() as session:
        bench_runs.hold(session, uid)
        runs.finish_within(session, shop, uid)
        record = cases.get(session, case_uid).record
        if shelf_part:
            attempt = shelf.take_within(shop, session, shelf_part, attempt, record.family)
        attempts = [*_without_effect(view, record), attempt]
        runs.write_case(session, record.model_copy(update={"attempts": attempts}))
    shop.refresh()
    return prove_again(shop, view)


def _without_effect(view: RunView, record: CaseRecord) -> list[Attempt]:
    """The fixes so far; one whose proof was this failed test made no difference."""
    if not view.run.after_repair or view.verdict.state != "failed":
        return list(record.attempts)
    return [
        one.model_copy(update={"result": "no change"}) if one.result == "not known yet" else one
        for one in record.attempts
    ]


def prove_again(shop: Shop, view: RunView) -> str:
    """A run after the repair with the same set-up; the cautions were read for this board already."""
    run = view.run
    uid = runs.start(
        shop,
        NewRun(
            family=run.family_code,
            case_uid=run.case_uid,
            label=run.label,
            after_repair=True,
            isolated=run.isolated,
            soak_s=run.soak_s,
            wet=bool(run.setup.get("wet")),
            loads={
                name: (load["amps"], load["what"], load.get("kind", "")) for name, load in run.loads.items()
            },
        ),
    )
    if run.acknowledged_at is not None:
        runs.acknowledge(shop, uid)
    return uid


def close_case(shop: Shop, uid: str, verdict: str) -> str:
    """Ends a passed test and closes its case as `repaired` or `no fault found`; returns the case's uid.

    A fix of which the result was not known yet is what cured a board that now passes.

    Raises:
        BadInput: when the test has not passed, or the verdict does not fit what was done to the board.
    """
    if verdict not in ("repaired", "no fault found"):
        raise BadInput(
            "This verdict is not given by a bench test.", field="verdict", remedy="Close the case by hand."
        )
    case_uid = make_case(shop, uid)
    view = runs.view(shop, uid)
    if view.verdict.state != "passed":
        raise BadInput(
            f"The test has not passed: {view.verdict.sentence}",
            field="verdict",
            remedy="Finish its steps, or close the case by hand.",
        )
    with shop.write() as session:
        bench_runs.hold(session, uid)
        runs.finish_within(session, shop, uid)
        record = cases.get(session, case_uid).record
        attempts = _settled(record, verdict)
        update = {
            "attempts": attempts,
            "verdict": verdict,
            "closed": shop.today(),
            "waiting_for": "",
            "waiting_since": None,
        }
        runs.write_case(session, record.model_copy(update=update))
    shop.refresh()
    return case_uid


def _settled(record: CaseRecord, verdict: str) -> list[Attempt]:
    cured = any(attempt.result == "cured" for attempt in record.attempts)
    open_ones = [place for place, one in enumerate(record.attempts) if one.result == "not known yet"]
    if verdict == "no fault found":
        if cured:
            raise BadInput(
                "The case holds a fix that cured the board, so a fault was found.",
                field="verdict",
                remedy="Close it as repaired.",
            )
        return record.attempts
    if cured:
        return record.attempts
    if not open_ones:
        raise BadInput(
            "The case does not say what was repaired.",
            field="verdict",
            remedy="Add the fix to the case first.",
        )
    attempts = list(record.attempts)
    attempts[open_ones[-1]] = attempts[open_ones[-1]].model_copy(update={"result": "cured"})
    return attempts
