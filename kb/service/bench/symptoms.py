"""What the dead checks of a bench test say in words of the symptom list, and how a case comes to know it."""

from __future__ import annotations

from collections.abc import Collection

from sqlmodel import Session

from kb.bench.sequence_types import Step
from kb.facts.symptoms import DEAD_CHECKS
from kb.model import NotedSymptom
from kb.service.bench.view import RunView, StepView
from kb.store.records import cases, lists
from kb.store.records.cases import Writer

MOST_SYMPTOMS = 200
FUSE, RECTIFIER, SWITCH, OUTPUT = DEAD_CHECKS
STANDBY = "standby rail shorted to ground"
_SYMPTOM_OF = {
    "unpowered.fuse": FUSE,
    "unpowered.rectifier.forward": RECTIFIER,
    "unpowered.rectifier.reverse": RECTIFIER,
    "unpowered.switch.forward": SWITCH,
    "unpowered.switch.reverse": SWITCH,
}
_GROUND = "unpowered.ground."


def _symptom_of(view: RunView, step: Step) -> str | None:
    if not step.key.startswith(_GROUND):
        return _SYMPTOM_OF.get(step.key)
    spec = next((spec for spec in view.sequence.rails if spec.name == step.rail), None)
    return STANDBY if spec is not None and spec.role == "standby" else OUTPUT


def _says(name: str, place: StepView) -> bool | None:
    """Present, not present, or None where the check was not made or tells neither."""
    if place.outcome == "right":
        return False
    if place.outcome != "wrong":
        return None
    # A junction without any reading is open or not touched: that is wrong, but it is no short.
    return None if name != FUSE and place.entries[-1].open else True


def noted_at(view: RunView, place: StepView) -> str | None:
    """The symptom that this step has put into the case, None where it has not."""
    name = _symptom_of(view, place.step)
    return name if name in view.run.verdict.get("noted", {}) and _says(str(name), place) else None


def told(view: RunView) -> dict[str, bool]:
    """Symptoms that the dead checks found (True) or ruled out (False), by name.

    One check that finds a short is enough; it is ruled out only when every check of its kind is right.
    """
    heard: dict[str, list[bool | None]] = {}
    for place in view.steps:
        name = _symptom_of(view, place.step)
        if name is not None:
            heard.setdefault(name, []).append(_says(name, place))
    return {
        name: any(one is True for one in said)
        for name, said in heard.items()
        if any(one is True for one in said) or all(one is False for one in said)
    }


def found(view: RunView, listed: Collection[str]) -> tuple[str, ...]:
    """What the dead checks found, as names of the symptom list.

    What they ruled out is left to their readings. The causes are learnt from what people noted by hand, and
    people note "not present" where it surprised them; the same words written down for every board that is
    tested would speak for the causes behind those surprises.
    """
    return tuple(name for name, present in told(view).items() if present and name in listed)


def settle(session: Session, view: RunView) -> dict[str, bool | None]:
    """Brings the case of a test up to what its dead checks find now; returns what the test has noted.

    The answer says for each symptom how the case had it before (None: not at all), so that an entry that is
    taken back takes its symptom with it. What a person noted or changed since stays. A test after the
    repair notes nothing: it says nothing about the fault that the board came with.
    """
    noted: dict[str, bool | None] = dict(view.run.verdict.get("noted", {}))
    if view.run.case_uid is None or view.run.after_repair:
        return noted
    names = found(view, {entry.name for entry in lists.symptoms(session)})
    if set(names) == set(noted):
        return noted
    stored = cases.get(session, view.run.case_uid)
    if stored.binned_at is not None:
        return noted
    had = {entry.name: entry.present for entry in stored.record.symptoms}
    now = dict(had)
    for name, was in noted.items():
        if name in names or now.get(name) is not True:
            continue
        if was is None:
            del now[name]
        else:
            now[name] = was
    kept = {name: noted[name] if name in noted else now.get(name) for name in names}
    now.update(dict.fromkeys((name for name in names if name not in noted), True))
    if now != had and len(now) <= MOST_SYMPTOMS:
        entries = [NotedSymptom(name=name, present=present) for name, present in now.items()]
        Writer(session).write([stored.record.model_copy(update={"symptoms": entries})])
    return kept
