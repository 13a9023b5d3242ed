"""The report to the customer: proposed from the case and its bench test, edited, issued, kept."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import segno

from kb.bench.gauge import gauge
from kb.bench.rail_types import Assessment, RailReading, RailSpec
from kb.errors import BadInput
from kb.model import CaseRecord
from kb.service.bench import report_words, runs
from kb.service.bench.loads import PRIMARY_ROLES
from kb.service.bench.report_text import PLAIN_CONDITIONS
from kb.service.bench.view import RunView
from kb.service.cases import cases, files
from kb.service.shop.shop import Shop
from kb.service.shop.translate import spec_of
from kb.store.records import bench_runs
from kb.store.records.bench_runs import StoredEntry

# The paragraphs that may be edited, with their headings, in the order in which they are printed.
PARAGRAPHS: tuple[tuple[str, str], ...] = (
    ("asked", "What you asked"),
    ("tested", "What was tested, and how"),
    ("found", "What was found and done"),
    ("means", "What it means for your set"),
    ("not_tested", "What was not tested"),
)
MOST_LETTERS = 3000
MOST_SHORT = 120
MOST_PHOTOS = 6
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
    with shop.read() as session:
        draft, issued = bench_runs.reports_of(session, case_uid)
    tests = runs.of_case(shop, case_uid)
    content = draft.content if draft else propose(shop, case_uid)
    if draft is None and issued:
        content |= _carried_over(shop, case_uid, issued[0].content)
    return ReportDesk(
        Report(draft.uid if draft else "", record, content, None),
        draft is not None,
        tuple((one.uid, one.issued_at) for one in issued if one.issued_at),
        tests,
    )


def _carried_over(shop: Shop, case_uid: str, before: Mapping[str, Any]) -> dict[str, Any]:
    """What another version takes over from the last one: what was agreed and chosen, and no sentence."""
    kept = {one.uid for one in files.of_case(shop, case_uid).kept if one.is_picture}
    return {
        "photos": [one for one in before.get("photos", ()) if one["uid"] in kept],
        "price": before.get("price", ""),
        "warranty": before.get("warranty", ""),
    }


def issued_of(shop: Shop, case_uid: str) -> tuple[tuple[str, datetime], ...]:
    """(uid, when) of every report that was issued for a case, the newest first."""
    with shop.read() as session:
        _, found = bench_runs.reports_of(session, case_uid)
    return tuple((one.uid, one.issued_at) for one in found if one.issued_at is not None)


def issued(shop: Shop, uid: str) -> Report:
    """A report as it was issued. Raises NotFound."""
    with shop.read() as session:
        found = bench_runs.report(session, uid)
    return Report(found.uid, cases.view(shop, found.case_uid).record, found.content, found.issued_at)


def keep(
    shop: Shop, case_uid: str, paragraphs: Mapping[str, str], *, issue: bool, photos: Sequence[str] = ()
) -> str:
    """Keeps the edited paragraphs as the draft, or issues them with the readings of this moment.

    `photos` are the uids of the case's pictures that go with it; `price` and `warranty` stand among the paragraphs
    and may be empty.

    Raises:
        BadInput: for a paragraph that is too long, a report without a word, a picture that is not the case's, too many
            of them, or a case of another shop.
    """
    content = propose(shop, case_uid)
    content["photos"] = _photos(shop, case_uid, photos)
    for name in ("price", "warranty"):
        content[name] = " ".join(_printable(paragraphs.get(name, "")).split())[:MOST_SHORT]
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
    with shop.write() as session:
        return bench_runs.write_report(session, case_uid, content, issue=issue)


def _photos(shop: Shop, case_uid: str, chosen: Sequence[str]) -> list[dict[str, Any]]:
    """The chosen pictures as the report keeps them. Raises BadInput."""
    if len(chosen) > MOST_PHOTOS:
        raise BadInput(
            f"More than {MOST_PHOTOS} photographs were chosen.",
            field="photos",
            remedy="Choose the best of them.",
        )
    pictures = {one.uid: one for one in files.of_case(shop, case_uid).kept if one.is_picture}
    missing = next((uid for uid in chosen if uid not in pictures), None)
    if missing is not None:
        raise BadInput(
            "One of the photographs is no longer with the case.",
            field="photos",
            remedy="Choose among those there.",
        )
    return [
        {
            "uid": uid,
            "caption": pictures[uid].caption,
            "width": pictures[uid].content.width_px,
            "height": pictures[uid].content.height_px,
        }
        for uid in chosen
    ]


def _shop_lines(test: RunView) -> Iterator[dict[str, Any]]:
    """Every entry of a test as it was written, for the shop's own page."""
    for place in test.steps:
        if place.left_out is not None:
            yield {
                "step": place.step.title,
                "written": "",
                "at": "",
                "outcome": "left out",
                "says": place.left_out,
            }
        for entry, result in zip(place.entries, place.results, strict=True):
            yield {
                "step": place.step.title,
                "after_repair": test.run.after_repair,
                "written": _as_written(entry),
                "at": entry.entered_at.strftime("%Y-%m-%d %H:%M"),
                "outcome": result.outcome,
                "says": result.sentence,
            }


def _as_written(entry: StoredEntry) -> str:
    around = entry.around
    parts = [report_words.seen(around.get("answer") or entry.written)]
    parts += [f"at {entry.load_a:g} A"] if entry.load_a is not None else []
    parts += [f"with {around['connected']}"] if around.get("connected") else []
    parts += [f"for {report_words.time_words(around['held_s'])}"] if around.get("held_s") else []
    parts += [f"drift {around['drift']:g} V"] if around.get("drift") else []
    parts += [f"hottest part {around['celsius']:g} °C"] if around.get("celsius") is not None else []
    parts += ["held up by a bench supply"] if around.get("help") else []
    parts += [f"lamp of {around['lamp_w']:g} W in the mains lead"] if around.get("lamp_w") else []
    return ", ".join(part for part in parts if part)


def _printable(text: str) -> str:
    kept = (one if one.isprintable() or one == "\n" else " " for one in text.replace("\r\n", "\n"))
    return "".join(kept).strip()


def start_again(shop: Shop, case_uid: str) -> None:
    """Throws the draft away, so that the report is proposed again. Raises as `propose`."""
    cases.own(shop, case_uid)
    with shop.write() as session:
        bench_runs.drop_draft(session, case_uid)


def _accepted(record: CaseRecord, currency: str) -> tuple[str, str]:
    """(price, warranty) of a quote that the customer accepted; of a ceiling the shop says what it came to."""
    quote = record.quote
    if quote is None or not quote.accepted:
        return "", ""
    price = (
        "" if quote.price is None else f"{quote.price:.2f} {currency}, as quoted on {quote.date.isoformat()}"
    )
    return price, quote.warranty


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
    price, warranty = _accepted(record, shop.settings.currency)
    return {
        "asked": report_words.asked(record),
        "tested": report_words.tested(test),
        "found": report_words.found(record, test, readings),
        "means": report_words.means(record, test, view.family.kind),
        "not_tested": report_words.not_tested(test),
        "readings": readings,
        "all_readings": [line for one in reversed(tests) for line in _shop_lines(one)],
        "photos": [],
        "price": price,
        "warranty": warranty,
        "date": shop.today().isoformat(),
        "family": record.family,
        "case": cases.short_uid(str(record.uid)),
        "customer": record.customer,
        "shop_name": shop.settings.shop_name,
        "shop_address": "\n".join(part.strip() for part in shop.settings.shop_address.split(";")),
    }


def _line(spec: RailSpec, reading: RailReading, found: Assessment, written: str, how: str) -> dict[str, Any]:
    return {
        "rail": spec.name,
        "name": report_words.plain_name(spec),
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
        share = report_words.share(one.entries[-1].load_a, spec)
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
