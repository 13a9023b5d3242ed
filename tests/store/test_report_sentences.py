"""Every sentence of a report is walked against the run: it says what was recorded, or it is not there."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import bench_people as people
import pytest

from kb.model import Attempt, CaseRecord
from kb.service import Shop
from kb.service.bench import outcome, reports, runs
from kb.service.bench.report_text import NOT_A_SAFETY_TEST
from kb.service.bench.runs import NewRun, RunView, Typed
from kb.service.cases import cases

pytestmark = pytest.mark.same("sentences are made from the records")

Check = Callable[[re.Match[str], CaseRecord, RunView], bool]
GOOD = people.GOOD


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return people.new_shop(tmp_path)


def walked(shop: Shop, case: str, *, after: bool = False, until: str = "", **odd: dict[str, str]) -> str:
    """A run with a good board's values, `odd` by title with `_` for blanks."""
    uid = runs.start(shop, NewRun("HX-210", case_uid=case, after_repair=after))
    runs.acknowledge(shop, uid)
    other = {title.replace("_", " "): fields for title, fields in odd.items()}
    for _ in range(40):
        number = runs.view(shop, uid).next_number
        title = runs.view(shop, uid).step(number).step.title if number else until
        if number is None or title == until:
            break
        given = other.get(title, GOOD[title])
        runs.enter(shop, uid, number, Typed(**{key: text for key, text in given.items() if key != "meant"}))
        if title in other and runs.view(shop, uid).next_number == number and "cold" not in title:
            break
    return uid


def stage_entered(view: RunView, *stages: str) -> bool:
    return all(any(one.entries for one in view.steps if one.step.stage == stage) for stage in stages)


def _course(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    phrases = {
        "unplugged": "unpowered",
        "current limited": "first power",
        "in standby": "standby",
        "nothing connected": "unloaded",
        "under load": "loaded",
        "smooth": "ripple",
    }
    said = found[0]
    same = all((phrase in said) is stage_entered(view, stage) for phrase, stage in phrases.items())
    return same and ("after the repair" in said) is view.run.after_repair


def _loads(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    named = [part.rpartition(": ") for part in found[1].split("; ")]
    entered = [one for one in view.steps if one.step.stage == "loaded" and one.entries]
    if len(named) != len(entered):
        return False
    for (name, _, said), one in zip(named, entered, strict=True):
        amps, spec = one.entries[-1].load_a, view.sequence.spec(one.step.rail)
        assert spec is not None
        wanted = (
            "not noted"
            if amps is None
            else f"{amps / (spec.rated_a or 1) * 100:.0f} % of what it is made for"
        )
        if said != wanted or not name.endswith(spec.name):
            return False
    return True


def _starts(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    step = next(one for one in view.steps if one.step.stage == "cold starts")
    good = sum(result.outcome == "right" for result in step.results)
    said_good = len(step.results) if "each time" in found[0] else int(found[2] or -1)
    return int(found[1]) == len(step.results) and said_good == good


def _held(view: RunView) -> float | None:
    return next(one for one in view.steps if one.step.hold_s).results[-1].entry.held_s


def _soak(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    held = _held(view)
    unit = {"second": 1, "minute": 60, "hour": 3600}[found[2]]
    short = "shorter than" in found[0]
    return (
        held is not None
        and abs(float(found[1]) * unit - held) <= 0.01 * held
        and short is (held < 0.95 * view.run.soak_s)
    )


def _wrong(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    return all(
        any(one.step.rail and f" {one.step.rail}:" in part for one in view.steps if one.outcome != "right")
        for part in found[1].split("; ")
    )


def _right(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    rails = {one.step.rail for one in view.steps if one.results and one.results[-1].reading}
    return view.verdict.state != "failed" and bool(rails)


def _repair(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    said = {
        "": "cured",
        "no difference": "no change",
        "better but": "improved",
        "still to be": "not known yet",
    }
    result = next(value for key, value in reversed(said.items()) if key in found[0])
    return any(one.part in found[0] and one.result == result for one in record.attempts)


def _stage_undone(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    undone = {
        one.step.stage for one in view.steps if (one.remaining or one.left_out) and not one.step.optional
    }
    return len(found[1].split("; ")) == len(undone) > 0


def _help(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    held = {
        one.step.rail
        for one in view.steps
        for r in one.results
        if r.entry.help and r.entry.help.state == "held"
    }
    starts = next(one for one in view.steps if one.step.stage == "cold starts")
    alone = starts.outcome == "right"
    return found[1] in held and ("afterwards it started" in found[0]) is alone


def always(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    """General sentences that hold of any report: what is advised, and what is not promised."""
    return True


def _passed(found: re.Match[str], record: CaseRecord, view: RunView) -> bool:
    return view.verdict.state == "passed"


PATTERNS: tuple[tuple[str, Check], ...] = (
    (
        r"You brought a board of type (\S+) with these words: “(.*)”",
        lambda m, r, v: (m[1], m[2]) == (r.family, r.complaint),
    ),
    (r"You asked us to test a board of type (\S+)\.", lambda m, r, v: m[1] == r.family),
    (r"On \d{4}-\d\d-\d\d.* the board was tested by itself on our bench.*\.", _course),
    (r"Load put on each supply: (.*)\.", _loads),
    (
        r"It was started from cold (\d+) times?"
        r"(?: and started as it should each time|; (\d+) of these starts were as they should be)\.",
        _starts,
    ),
    (r"It then ran under load for ([\d.]+) (second|minute|hour)s?(?:, shorter than .*)?\.", _soak),
    (r"For a part of the test (\S+) was held up by a supply of ours; .*", _help),
    (r"The hottest part we measured then had 62 °C\.", lambda m, r, v: _held(v) is not None),
    (r"Found out of order: (.*)\.", _wrong),
    (r"Failed: (.*)\.", lambda m, r, v: v.verdict.state == "failed"),
    (r"Every supply drawn below was measured within its limits\.", _right),
    (r"No repair of the board is recorded\.", lambda m, r, v: not r.attempts),
    (r"The (?:electrolytic capacitor|diode) .* was replaced.*\.", _repair),
    (r"As far as it was tested, this supply is in order\.", _passed),
    (r"The fault is then most likely elsewhere in the set: .*\.", lambda m, r, v: r.verdict != "repaired"),
    (r"A fault that shows only now and then may have stayed away while we tested\.", always),
    (r"The fault on this board was found and repaired\.", lambda m, r, v: r.verdict == "repaired"),
    (
        r"Afterwards it passed our bench test, as far as that is described above\.",
        lambda m, r, v: v.verdict.state == "passed" and v.run.after_repair,
    ),
    (r"The board is faulty\.", lambda m, r, v: v.verdict.state == "failed"),
    (r"We will tell you what a repair would cost before going on\.", always),
    (r"The work on this board is not finished\.", lambda m, r, v: v.verdict.state == "not finished"),
    (r"Not done, or only in part: (.*)\.", _stage_undone),
    (
        r"The side of the board that is connected to the mains was measured unplugged only\.",
        lambda m, r, v: not v.run.isolated,
    ),
    (
        r"The supplies were not loaded to the full of what they are made for\.",
        lambda m, r, v: any(part is not None and part < 1 for _, part in v.verdict.fractions),
    ),
    (
        r"How heavily some of the supplies were loaded is not known\.",
        lambda m, r, v: any(part is None for _, part in v.verdict.fractions),
    ),
    (r"The other parts of your set were not tested\.", always),
)


def walk(shop: Shop, case: str) -> list[str]:
    """Holds every sentence of the proposed report against the run; answers the sentences."""
    record = cases.stored(shop, case).record
    view = next(one for one in runs.of_case(shop, case) if any(step.entries for step in one.steps))
    content = reports.propose(shop, case)
    said = []
    for name, _ in reports.PARAGRAPHS:
        text = content[name].replace(NOT_A_SAFETY_TEST, "").strip()
        said += [part for part in re.split(r"(?<=[.”])\s+(?=[A-Z])", text) if part]
    for sentence in said:
        matches = [(re.fullmatch(pattern, sentence), check) for pattern, check in PATTERNS]
        fitting = [(found, check) for found, check in matches if found is not None]
        assert len(fitting) == 1, f"no one rule knows this sentence: {sentence}"
        found, check = fitting[0]
        assert found is not None
        assert check(found, record, view), f"not so: {sentence}"
    return said


def test_a_board_that_passed_is_told_with_its_own_figures(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = walked(shop, case)
    outcome.close_case(shop, uid, "no fault found")
    said = walk(shop, case)
    assert "It then ran under load for 30 minutes." in said
    assert any(one.startswith("It was started from cold 5 times") for one in said)


def test_a_soak_of_two_seconds_is_no_half_hour(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = walked(shop, case, until="Soak, 30 min")
    number = people.number_of(shop, uid, "Soak, 30 min")
    runs.enter(shop, uid, number, Typed("11.9", held="2 s", celsius="62"))
    assert runs.view(shop, uid).verdict.state == "not finished"
    said = walk(shop, case)
    assert "It then ran under load for 2 seconds, shorter than the long run that was planned." in said
    assert not any("30 minutes" in one for one in said)


def test_a_test_that_was_stopped_early_says_no_more_than_it_saw(shop: Shop) -> None:
    case = people.add_case(shop)
    walked(shop, case, until="12V under test load")
    said = walk(shop, case)
    assert not any("started from cold" in one or "then ran" in one for one in said)
    assert any(one.startswith("Not done, or only in part") for one in said)


def test_help_from_a_bench_supply_stands_in_the_report(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = walked(shop, case, until="5VSB in standby")
    number = people.number_of(shop, uid, "5VSB in standby")
    runs.enter(shop, uid, number, Typed("5.02", help="yes", help_v="5.1", help_a="0.5", help_diode="yes"))
    view = runs.view(shop, uid)
    assert view.step(number).results[-1].judgement == "unknown"
    runs.enter(shop, uid, number, Typed("4.93"))
    kept = [
        (one.rail, one.point, one.value)
        for one in cases.stored(shop, case).record.readings
        if one.supply == "standby"
    ]
    assert kept == [(None, "5VSB, held up by a bench supply", 5.02), ("5VSB", None, 4.93)]
    for _ in range(30):
        following = runs.view(shop, uid).next_number
        if following is None:
            break
        title = runs.view(shop, uid).step(following).step.title
        runs.enter(shop, uid, following, Typed(**GOOD[title]))
    verdict = runs.view(shop, uid).verdict
    assert verdict.state == "passed"
    assert "held up by a bench supply (5.1 V, 0.5 A, through a diode)" in verdict.sentence
    assert "5 cold starts without help" in verdict.sentence
    said = walk(shop, case)
    assert any("afterwards it started without that help" in one for one in said)


def test_a_first_fix_that_was_wrong_stands_beside_the_second_that_was_right(shop: Shop) -> None:
    case = people.add_case(shop)
    first = walked(shop, case, **{"5VSB_in_standby": {"value": "3.1"}})
    assert runs.view(shop, first).verdict.state == "failed"
    assert any("Found out of order" in one for one in walk(shop, case))
    diode = Attempt(part="D7", part_class="diode", section="standby output", failure="leaky")
    second = outcome.note_fix(shop, first, diode)
    again = _again(shop, second, {"5VSB in standby": {"value": "3.1"}})
    assert again.verdict.state == "failed"
    capacitor = Attempt(
        part="C9", part_class="electrolytic capacitor", section="standby output", failure="high ESR"
    )
    third = outcome.note_fix(shop, second, capacitor)
    assert _again(shop, third, {}).verdict.state == "passed"
    outcome.close_case(shop, third, "repaired")
    said = walk(shop, case)
    assert any("D7" in one and "made no difference" in one for one in said)
    assert any("C9" in one and one.endswith("was replaced.") for one in said)


def _again(shop: Shop, uid: str, odd: dict[str, dict[str, str]]) -> RunView:
    for _ in range(40):
        view = runs.view(shop, uid)
        if view.next_number is None or view.verdict.state == "failed":
            return view
        title = view.step(view.next_number).step.title
        runs.enter(shop, uid, view.next_number, Typed(**odd.get(title, GOOD[title])))
    raise AssertionError("the test has no end")


def test_all_readings_are_kept_for_the_shop_with_price_and_warranty(shop: Shop) -> None:
    case = people.add_case(shop)
    walked(shop, case, until="12V under test load")
    texts = {name: "Some words." for name, _ in reports.PARAGRAPHS}
    uid = reports.keep(shop, case, {**texts, "price": "85.00", "warranty": "three months"}, issue=True)
    issued = reports.issued(shop, uid)
    assert (issued.content["price"], issued.content["warranty"]) == ("85.00", "three months")
    lines = {line["step"]: line["written"] for line in issued.content["all_readings"]}
    assert lines["5VSB in standby"] == "5.05"
    assert lines["5VSB under test load"] == "5.0, at 0.5 A"
    runs.take_back(shop, runs.of_case(shop, case)[0].run.uid, 1)
    assert reports.issued(shop, uid).content == issued.content
