"""Bench runs and reports in the store: kept through a restart, added to an older store without loss."""

from __future__ import annotations

from pathlib import Path

import bench_people as people
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, text
from sqlalchemy.pool import NullPool

from kb.config import Settings
from kb.errors import BadInput, NotFound
from kb.model import NotedSymptom
from kb.search import Filters
from kb.service import Shop
from kb.service.bench import loads, outcome, runs
from kb.service.bench.runs import NewRun, Question, Typed
from kb.service.boards import families
from kb.service.cases import cases
from kb.service.find import case_search
from kb.store import Store
from kb.store.records import bench_runs
from kb.store.tables.core import Table

MIGRATIONS = Path(bench_runs.__file__).parents[1] / "engine" / "migrations"


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return people.new_shop(tmp_path)


def begun(shop: Shop, case: str | None = None) -> str:
    uid = runs.start(shop, NewRun("HX-210", case_uid=case, loads={"12V": (1.5, "lamp 21 W")}, soak_s=600.0))
    runs.acknowledge(shop, uid)
    return uid


def test_a_test_goes_on_after_the_program_was_closed_and_opened(tmp_path: Path) -> None:
    settings = Settings(data=tmp_path)
    shop = Shop.open(settings, today=lambda: people.TODAY)
    families.save(shop, people.FAMILY)
    case = people.add_case(shop)
    uid = begun(shop, case)
    runs.enter(shop, uid, 1, Typed("0.3"))
    runs.leave_out(shop, uid, 2, "no fuse")
    before = runs.view(shop, uid)
    shop.close()
    again = Shop.open(settings, today=lambda: people.TODAY)
    after = runs.view(again, uid)
    assert after == before
    assert after.next_number == 3
    assert after.run.loads == {"12V": {"amps": 1.5, "what": "lamp 21 W"}}
    again.close()


def test_the_tables_of_the_newest_migration_are_those_of_the_models() -> None:
    store = Store("sqlite://")
    with store.read() as session:
        assert session.bind is not None
        context = MigrationContext.configure(session.connection(), opts={"render_as_batch": True})
        assert compare_metadata(context, Table.metadata) == []
    store.close()


def test_a_store_of_the_first_version_gets_the_bench_without_losing_a_record(tmp_path: Path) -> None:
    file = tmp_path / "store.sqlite3"
    engine = create_engine(f"sqlite:///{file}", poolclass=NullPool)
    with engine.begin() as connection:
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        connection.execute(text("INSERT INTO setting (name, value) VALUES ('identity', '\"old\"')"))
        connection.execute(
            text(
                "INSERT INTO family (id, code, code_key, kind, fuse, notes, version, changed_at) "
                "VALUES (1, 'HX-210', 'hx210', '', '', '', 1, '2026-01-01 00:00:00')"
            )
        )
    store = Store.at(file)
    with store.read() as session:
        assert session.execute(text("SELECT code FROM family")).scalar() == "HX-210"
        assert bench_runs.under_way(session) == []
    assert store.identity == "old"
    store.close()


def test_a_failed_entry_leaves_neither_entry_nor_reading(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = begun(shop, case)
    cases.put_in_bin(shop, case)
    with pytest.raises(BadInput, match="bin"):
        runs.enter(shop, uid, 1, Typed("0.3"))
    assert runs.view(shop, uid).run.entries == ()


def test_a_case_in_the_bin_gets_no_test(shop: Shop) -> None:
    case = people.add_case(shop)
    cases.put_in_bin(shop, case)
    with pytest.raises(BadInput, match="bin"):
        begun(shop, case)


def test_a_test_of_another_family_than_its_case_is_refused(shop: Shop) -> None:
    case = people.add_case(shop)
    families.save(shop, people.FAMILY.model_copy(update={"code": "QK-118", "aliases": []}))
    with pytest.raises(BadInput, match="HX-210"):
        runs.start(shop, NewRun("QK-118", case_uid=case))
    with pytest.raises(NotFound):
        runs.start(shop, NewRun("nothing"))


def test_a_question_keeps_nothing_and_its_answer_keeps_what_was_meant(shop: Shop) -> None:
    uid = begun(shop)
    runs.enter(shop, uid, 1, Typed("0.3"))
    asked = runs.enter(shop, uid, people.number_of(shop, uid, "Mains rectifier, forward"), Typed("520"))
    assert isinstance(asked, Question)
    assert asked.meant == "0.52 V"
    assert len(runs.view(shop, uid).run.entries) == 1
    sure = runs.enter(
        shop, uid, people.number_of(shop, uid, "Mains rectifier, forward"), Typed("520"), sure=True
    )
    assert not isinstance(sure, Question)
    assert runs.view(shop, uid).run.entries[-1].value == 520


def test_the_verdict_of_a_finished_test_is_written_into_its_case_once(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = begun(shop, case)
    for _ in range(2):
        runs.finish(shop, uid)
    notes = cases.stored(shop, case).record.notes
    assert notes.count("Bench test, 2026-11-25: Not finished") == 1
    assert [run.uid for run in runs.finished(shop)] == [uid]
    runs.reopen(shop, uid)
    assert [view.run.uid for view in runs.under_way(shop)] == [uid]


def test_failed_dead_checks_are_evidence_and_readings_before_a_repair_are_none_after_it(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = begun(shop, case)
    runs.enter(shop, uid, 1, Typed("0.2"))
    runs.enter(shop, uid, 2, Typed("", answer="OL"))
    found = outcome.evidence(shop, runs.view(shop, uid))
    assert {(one.name, one.present) for one in found.symptoms} == {
        ("relay clicks repeatedly", True),
        ("fuse blown", True),
    }
    assert found.text == "stays dark, relay ticks twice"
    again = outcome.prove_again(shop, runs.view(shop, uid))
    after = runs.view(shop, again)
    assert after.run.after_repair
    assert after.run.acknowledged_at is not None
    assert outcome.evidence(shop, after).readings == []


def test_a_load_taken_off_the_shelf_is_no_longer_planned_with(shop: Shop) -> None:
    loads.remove(shop, "LAMP 21 W")
    assert [line.record.name for line in loads.shelf(shop)] == [people.RESISTOR.name]
    with pytest.raises(NotFound):
        loads.remove(shop, "lamp 21 W")


def test_a_test_with_an_entry_at_a_step_that_is_no_longer_made_can_still_be_opened(shop: Shop) -> None:
    uid = begun(shop)
    typed(shop, uid, "Fuse T3.15A", "0.2")
    with shop.store.write() as session:
        run = bench_runs.hold(session, uid)
        nothing = {"value": 1.0, "min": None, "max": None, "open": False, "done": False, "written": "1"}
        bench_runs.enter(
            session, run.id, {"step": "unpowered.gone", "load_a": None, "reading": None, **nothing}
        )
    assert runs.view(shop, uid).done == 2
    assert [one.run.uid for one in runs.under_way(shop)] == [uid]


def symptoms_of(shop: Shop, case: str) -> dict[str, bool]:
    return {one.name: one.present for one in cases.stored(shop, case).record.symptoms}


def typed(shop: Shop, uid: str, title: str, value: str = "", answer: str = "") -> None:
    """Enters something at a step of a board whose bulk capacitor is empty."""
    if not runs.view(shop, uid).step(1).entries:
        runs.enter(shop, uid, 1, Typed("0.3"))
    number = people.number_of(shop, uid, title)
    runs.enter(shop, uid, number, Typed(value, answer=answer))


def test_a_dead_check_becomes_a_symptom_of_the_case_and_goes_with_its_entry(shop: Shop) -> None:
    case = people.add_case(shop)
    before = symptoms_of(shop, case)
    uid = begun(shop, case)
    typed(shop, uid, "Fuse T3.15A", answer="OL")
    assert symptoms_of(shop, case) == {**before, "fuse blown": True}
    assert [one.case.uid for one in case_search.search(shop, "fuse blown", Filters()).found] == [case]
    typed(shop, uid, "Fuse T3.15A", "0.2")
    assert symptoms_of(shop, case) == before
    runs.take_back(shop, uid, people.number_of(shop, uid, "Fuse T3.15A"))
    assert symptoms_of(shop, case) == {**before, "fuse blown": True}
    runs.take_back(shop, uid, people.number_of(shop, uid, "Fuse T3.15A"))
    assert symptoms_of(shop, case) == before


def test_checks_that_are_right_note_nothing_and_an_open_junction_is_no_short(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = begun(shop, case)
    typed(shop, uid, "Main switch, forward", "0.5")
    typed(shop, uid, "Main switch, reverse", answer="OL")
    assert "main switch shorted" not in symptoms_of(shop, case)
    typed(shop, uid, "Mains rectifier, forward", answer="OL")
    assert "mains rectifier shorted" not in symptoms_of(shop, case)
    runs.go_on(shop, uid, people.number_of(shop, uid, "Mains rectifier, forward"), "no contact, perhaps")
    typed(shop, uid, "Mains rectifier, reverse", "0.02")
    assert symptoms_of(shop, case)["mains rectifier shorted"] is True


def test_a_shorted_rail_is_noted_by_what_it_is(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = begun(shop, case)
    typed(shop, uid, "5VSB to ground", "0.3")
    with pytest.raises(BadInput, match="nothing moves on"):
        typed(shop, uid, "12V to ground", "1k2")
    runs.go_on(shop, uid, people.number_of(shop, uid, "5VSB to ground"), "what else went with it")
    typed(shop, uid, "12V to ground", "1k2")
    found = symptoms_of(shop, case)
    assert found["standby rail shorted to ground"] is True
    assert "output rail shorted to ground" not in found
    runs.leave_out(shop, uid, people.number_of(shop, uid, "5VSB to ground"), "lifted")
    assert "standby rail shorted to ground" not in symptoms_of(shop, case)


def test_what_a_person_noted_stays_when_an_entry_is_taken_back(shop: Shop) -> None:
    case = people.add_case(shop)
    record = cases.stored(shop, case).record
    noted = [NotedSymptom(name="fuse blown"), NotedSymptom(name="main switch shorted", present=False)]
    cases.save(shop, record.model_copy(update={"symptoms": noted}))
    uid = begun(shop, case)
    typed(shop, uid, "Fuse T3.15A", "0.2")
    assert symptoms_of(shop, case)["fuse blown"] is True  # somebody saw it blown before it was replaced
    typed(shop, uid, "Main switch, forward", "0.02")
    assert symptoms_of(shop, case)["main switch shorted"] is True
    for title in ("Fuse T3.15A", "Main switch, forward"):
        runs.take_back(shop, uid, people.number_of(shop, uid, title))
    assert symptoms_of(shop, case) == {"fuse blown": True, "main switch shorted": False}


def test_a_test_after_the_repair_notes_no_symptom_and_a_case_opened_from_a_test_has_them(shop: Shop) -> None:
    uid = begun(shop)
    typed(shop, uid, "Fuse T3.15A", answer="OL")
    case = outcome.make_case(shop, uid)
    assert symptoms_of(shop, case) == {"fuse blown": True}
    again = outcome.prove_again(shop, runs.view(shop, uid))
    typed(shop, again, "Fuse T3.15A", "0.2")
    assert symptoms_of(shop, case) == {"fuse blown": True}
    found = outcome.evidence(shop, runs.view(shop, again))
    assert found.symptoms == []
    runs.take_back(shop, uid, people.number_of(shop, uid, "Fuse T3.15A"))
    assert symptoms_of(shop, case) == {}
