"""The report to the customer: proposed from the case and its bench test, edited, issued, kept."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import segno

from kb.bench.gauge import gauge
from kb.bench.rail_types import Assessment, RailReading, RailSpec, is_input
from kb.errors import BadInput
from kb.model import Attempt, CaseRecord
from kb.service.bench import runs
from kb.service.bench.loads import PRIMARY_ROLES
from kb.service.bench.report_text import (
    NOT_A_SAFETY_TEST,
    PLAIN_ACTIONS,
    PLAIN_CONDITIONS,
    PLAIN_FAILURES,
    PLAIN_ROLES,
    PLAIN_STAGES,
)
from kb.service.bench.view import RunView
from kb.service.cases import cases
from kb.service.shop.shop import Shop
from kb.service.shop.translate import spec_of
from kb.store.records import bench_runs

# The paragraphs that may be edited, with their headings, in the order in which they are printed.
PARAGRAPHS: tuple[tuple[str, str], ...] = (
    ("asked", "What you asked"),
    ("tested", "What was tested, and how"),
    ("found", "What was found and done"),
    ("means", "What it means for your set"),
    ("not_tested", "What was not tested"),
)
MOST_LETTERS = 3000
_BEFORE = ", before the repair"


@dataclass(frozen=True, slots=True)
class Report:
    """A report as it is edited or printed. `uid` is "" for one that was only proposed."""

    uid: str
    case: CaseRecord
    content: dict[str, Any]
    issued_at: datetime | None


@dataclass(frozen=True, slots=True)
class ReportDesk:
    """What the report page of a case shows: the draft, and the versions that were issued."""

    report: Report
    saved: bool
    issued: tuple[tuple[str, datetime], ...]
    tests: tuple[RunView, ...]


def desk(shop: Shop, case_uid: str) -> ReportDesk:
    """The draft of a case's report, proposed where there is none. Raises NotFound, BadInput as `propose`."""
    record = cases.own(shop, case_uid).record
    with shop.store.reading() as session:
        draft, issued = bench_runs.reports_of(session, case_uid)
    tests = runs.of_case(shop, case_uid)
    content = draft.content if draft else propose(shop, case_uid)
    return ReportDesk(
        Report(draft.uid if draft else "", record, content, None),
        draft is not None,
        tuple((one.uid, one.issued_at) for one in issued if one.issued_at),
        tests,
    )


def issued_of(shop: Shop, case_uid: str) -> tuple[tuple[str, datetime], ...]:
    """(uid, when) of every report that was issued for a case, the newest first."""
    with shop.store.reading() as session:
        _, found = bench_runs.reports_of(session, case_uid)
    return tuple((one.uid, one.issued_at) for one in found if one.issued_at is not None)


def issued(shop: Shop, uid: str) -> Report:
    """A report as it was issued. Raises NotFound."""
    with shop.store.reading() as session:
        found = bench_runs.report(session, uid)
    return Report(found.uid, cases.view(shop, found.case_uid).record, found.content, found.issued_at)


def keep(shop: Shop, case_uid: str, paragraphs: Mapping[str, str], *, issue: bool) -> str:
    """Keeps the edited paragraphs as the draft, or issues them with the readings of this moment.

    Raises:
        BadInput: for a paragraph that is too long, a report without a word, or a case of another shop.
    """
    content = propose(shop, case_uid)
    for name, heading in PARAGRAPHS:
        text = _printable(paragraphs.get(name, ""))
        if len(text) > MOST_LETTERS:
            raise BadInput(
                f"“{heading}” is longer than {MOST_LETTERS} characters.",
                field=name,
                remedy="The report is to fit one page: shorten it.",
            )
        content[name] = text
    if not any(content[name] for name, _ in PARAGRAPHS):
        raise BadInput("The report is empty.", field="asked", remedy="Write at least one paragraph.")
    with shop.writing() as session:
        return bench_runs.write_report(session, case_uid, content, issue=issue)


def _printable(text: str) -> str:
    kept = (one if one.isprintable() or one == "\n" else " " for one in text.replace("\r\n", "\n"))
    return "".join(kept).strip()


def start_anew(shop: Shop, case_uid: str) -> None:
    """Throws the draft away, so that the report is proposed anew. Raises as `propose`."""
    cases.own(shop, case_uid)
    with shop.writing() as session:
        bench_runs.drop_draft(session, case_uid)


def propose(shop: Shop, case_uid: str) -> dict[str, Any]:
    """A report in plain words from what the case and its latest test hold.

    Raises NotFound, and BadInput for a case of another shop: its customer is not ours to tell.
    """
    view = cases.own(shop, case_uid)
    tests = runs.of_case(shop, case_uid)
    test = next((one for one in tests if any(step.entries for step in one.steps)), None)
    record = view.record
    repaired = any(attempt.result in ("cured", "improved") for attempt in record.attempts)
    readings = list(_test_readings(test, repaired)) if test else list(_case_readings(view, repaired))
    return {
        "asked": _asked(record),
        "tested": _tested(record, test),
        "found": _found(record, test, readings),
        "means": _means(record, test, view.family.kind),
        "not_tested": _not_tested(test, readings),
        "readings": readings,
        "date": shop.today().isoformat(),
        "family": record.family,
        "case": cases.short_uid(str(record.uid)),
        "customer": record.customer,
        "shop_name": shop.settings.shop_name,
        "shop_address": "\n".join(part.strip() for part in shop.settings.shop_address.split(";")),
    }


def _asked(record: CaseRecord) -> str:
    if record.complaint:
        return f"You brought a board of type {record.family} with these words: “{record.complaint}”"
    return f"You asked us to test a board of type {record.family}."


def _share(amps: float | None, spec: RailSpec) -> str:
    if amps is None:
        return ""
    if spec.rated_a is None:
        return f"{amps:.2g} A"
    return f"{amps / spec.rated_a * 100:.0f} % of what it is made for"


def _tested(record: CaseRecord, test: RunView | None) -> str:
    if test is None:
        return "The board was looked over and measured on the bench; no full bench test was made."
    day = test.run.started_at.date().isoformat()
    when = " after the repair" if test.run.after_repair else ""
    stages = {one.step.stage for one in test.steps if one.entries}
    parts = [f"On {day}{when} the board was tested by itself on our bench"]
    how = []
    if "unpowered" in stages:
        how.append("first unplugged, for short circuits and blown parts")
    if "standby" in stages:
        how.append("then plugged in, in standby")
    if "unloaded" in stages:
        how.append("switched on with nothing connected")
    if "loaded" in stages:
        how.append("and under load, with test loads drawing current in place of your set")
    parts.append(": " + ", ".join(how) + "." if how else ".")
    loaded = []
    for one in test.steps:
        if one.step.stage == "loaded" and one.entries:
            spec = _spec(test, str(one.step.rail))
            share = _share(one.entries[-1].load_a, spec)
            loaded.append(f"{_plain_name(spec)}: {share}" if share else f"{_plain_name(spec)}: not measured")
    if loaded:
        parts.append(" Load put on each supply: " + "; ".join(loaded) + ".")
    if any(one.step.stage == "soak" and one.entries for one in test.steps):
        parts.append(f" It then ran for {test.run.soak_s / 60:.0f} minutes.")
    return "".join(parts)


def _found(record: CaseRecord, test: RunView | None, readings: list[dict[str, Any]]) -> str:
    lines = [_repair(attempt) for attempt in record.attempts if attempt.result in ("cured", "improved")]
    wrong = [f"{one['name']}: {one['condition']}" for one in readings if one["off"]]
    elsewhere = _failed_elsewhere(test)
    if wrong:
        lines.append("Found out of order: " + "; ".join(wrong) + ".")
    if elsewhere:
        lines.append("Failed: " + "; ".join(elsewhere) + ".")
    if readings and not wrong and not elsewhere:
        lines.append("Every supply that was measured stands within its limits; the figures are drawn below.")
    if not lines or not record.attempts:
        lines.append("Nothing was changed on the board.")
    return " ".join(lines)


def _failed_elsewhere(test: RunView | None) -> tuple[str, ...]:
    """Stages of a failed test that the drawn voltages do not show, such as a ripple or a long run."""
    if test is None or test.verdict.state != "failed":
        return ()
    drawn = ("standby", "unloaded", "loaded")
    return tuple(
        dict.fromkeys(
            PLAIN_STAGES[one.step.stage]
            for one in test.steps
            if one.outcome == "wrong" and one.step.stage not in drawn
        )
    )


def _repair(attempt: Attempt) -> str:
    part = f"{attempt.part_class} {attempt.part}".strip()
    wrong = f" ({PLAIN_FAILURES.get(attempt.failure, attempt.failure)})" if attempt.failure else ""
    done = PLAIN_ACTIONS.get(attempt.action, f"was dealt with ({attempt.action})")
    return f"The {part}{wrong} {done}."


def _means(record: CaseRecord, test: RunView | None, kind: str) -> str:
    passed = test is not None and test.verdict.state == "passed"
    if record.verdict == "repaired":
        proven = passed and test is not None and test.run.after_repair
        proof = (
            "Afterwards it passed our bench test, as far as that is told above."
            if proven
            else "Please try it in your set."
        )
        return f"The fault on this board was found and repaired. {proof}"
    if record.verdict == "no fault found" or (record.verdict is None and passed):
        if kind not in ("", "power supply"):
            where = "in another board, in a cable or in a connector"
        else:
            where = "in what the supply feeds, in a cable or a connector, or in the board that switches the supply on"
        noun = "board" if kind not in ("", "power supply") else "supply"
        return (
            f"As far as it was tested, this {noun} is in order. The fault is then most likely elsewhere in the set: "
            f"{where}. A fault that shows only now and then may have stayed away while we tested."
        )
    if record.verdict == "not economical":
        return "The board could be repaired, but not for a price that makes sense. We advise against it."
    if record.verdict == "not repairable":
        return "The board cannot be repaired. It needs to be replaced."
    if record.verdict == "declined":
        return "The board was not repaired, as agreed with you."
    if test is not None and test.verdict.state == "failed":
        return "The board is faulty. We will tell you what a repair would cost before going on."
    return "The work on this board is not finished."


def _not_tested(test: RunView | None, readings: list[dict[str, Any]]) -> str:
    lines = []
    if test is None:
        lines.append("The board was not put through a full bench test.")
    else:
        missing = dict.fromkeys(
            PLAIN_STAGES[one.step.stage] for one in test.steps if one.remaining or one.left_out
        )
        if missing:
            lines.append("Not done, or only in part: " + "; ".join(missing) + ".")
        if test.sequence.left_out:
            lines.append("The side of the board that is connected to the mains was measured unplugged only.")
        part = [share for _, share in test.verdict.fractions if share is not None and share < 0.995]
        if part:
            lines.append("The supplies were not loaded to the full of what they are made for.")
    lines.append("The other parts of your set were not tested.")
    lines.append(NOT_A_SAFETY_TEST)
    return " ".join(lines)


def _spec(test: RunView, rail: str) -> RailSpec:
    return next(spec for spec in test.sequence.rails if spec.name == rail)


def _plain_name(spec: RailSpec) -> str:
    if is_input(spec.name):
        return f"supply that feeds the board {spec.name}"
    return f"{PLAIN_ROLES.get(spec.role, 'supply')} {spec.name}"


def _line(spec: RailSpec, reading: RailReading, found: Assessment, written: str, how: str) -> dict[str, Any]:
    return {
        "rail": spec.name,
        "name": _plain_name(spec),
        "how": how,
        "value": written,
        "low_v": found.low_v,
        "high_v": found.high_v,
        "assumed": found.assumed,
        "condition": PLAIN_CONDITIONS[found.condition],
        "off": not found.as_expected,
        "gauge": asdict(gauge(spec, reading)),
    }


def _test_readings(test: RunView, repaired: bool) -> Iterator[dict[str, Any]]:
    """The direct voltage of every output rail that tells most: under load, else unloaded, else standby."""
    for spec in test.sequence.rails:
        if spec.role in PRIMARY_ROLES:
            continue
        measured = [
            one
            for stage in ("standby", "unloaded", "loaded")
            for one in test.steps
            if one.step.rail == spec.name and one.step.stage == stage and one.results
        ]
        if not measured:
            continue
        # What speaks against a board that failed must not be hidden behind a better reading.
        wrong = [one for one in measured if one.outcome == "wrong"]
        measured = wrong if wrong and spec.name in test.verdict.failed else measured
        one = measured[-1]
        last = one.results[-1]
        if last.reading is None or last.assessment is None:
            continue
        how = "under load" if one.step.load != "none" else "without load"
        share = _share(one.entries[-1].load_a, spec)
        how = f"{how}, {share}" if share else how
        how += _BEFORE if repaired and not test.run.after_repair else ""
        yield _line(spec, last.reading, last.assessment, _volts(last.reading), how)


def _case_readings(view: cases.CaseView, repaired: bool) -> Iterator[dict[str, Any]]:
    """The last judged voltage of every output rail of a case that had no bench test."""
    last: dict[str, Any] = {}
    for judged in view.readings:
        if judged.rail is None or judged.assessment is None or judged.reading.quantity != "dc_v":
            continue
        if judged.rail.role not in PRIMARY_ROLES:
            last[judged.rail.name] = judged
    for judged in last.values():
        spec, reading = spec_of(judged.rail), judged.reading
        measured = RailReading(
            judged.rail.name, "dc_v", reading.supply, reading.load, reading.value, reading.min, reading.max
        )
        how = "without load" if reading.load == "none" else "under load"
        how += _BEFORE if repaired and not reading.after_repair else ""
        yield _line(spec, measured, judged.assessment, _volts(measured), how)


def _volts(reading: RailReading) -> str:
    if reading.value is not None:
        return f"{reading.value:.4g} V"
    ends = [end for end in (reading.min, reading.max) if end is not None]
    return " to ".join(f"{end:.4g} V" for end in ends)


def label_code(address: str) -> bytes:
    """A QR code that holds an address, as an SVG picture. Raises BadInput for one that is too long."""
    if len(address) > 300:
        raise BadInput(
            "The address is too long for a label.", field="base_url", remedy="Shorten KB_BASE_URL."
        )
    picture = io.BytesIO()
    segno.make(address, error="m", micro=False).save(
        picture, kind="svg", scale=4, border=2, dark="#000", light="#fff", svgclass=None, lineclass=None
    )
    return picture.getvalue()
