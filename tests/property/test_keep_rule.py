"""The keep rule gives up automatic backups only, and never the newest."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from kb.service.operate import keep_rule
from kb.service.operate.keep_rule import DAYS, MONTHS, WEEKS, moment_of, superfluous

moments = st.datetimes(datetime(2020, 1, 1), datetime(2035, 12, 31)).map(lambda at: at.replace(microsecond=0))
foreign = st.sampled_from(
    [
        "kb-by-hand-20261125-120000.zip",
        "before-upgrade-0001-20261125-120000.sqlite3",
        "before-restore-20261125-120000.sqlite3",
        "kb-daily-20261125-120000.zip.part",
        "kb-daily-20261341-120000.zip",
        "kb-daily-20261125.zip",
        "kb-daily-٢٠٢٦1125-120000.zip",
        "my kb-daily-20261125-120000.zip",
        "holiday.jpg",
        "",
    ]
) | st.text(max_size=30)
folders = st.tuples(st.lists(moments, max_size=60, unique=True), st.lists(foreign, max_size=5))


def daily_name(at: datetime) -> str:
    return keep_rule.daily_name(at.strftime("%Y%m%d-%H%M%S"))


def names_of(folder: tuple[list[datetime], list[str]]) -> list[str]:
    return [daily_name(at) for at in folder[0]] + folder[1]


@given(folders)
def test_what_it_gives_up_is_there_and_is_its_own(folder: tuple[list[datetime], list[str]]) -> None:
    given_up = superfluous(names_of(folder))
    assert len(given_up) == len(set(given_up))
    assert set(given_up) <= {daily_name(at) for at in folder[0]} | {
        name for name in folder[1] if moment_of(name)
    }


@given(folders)
def test_the_newest_always_stays(folder: tuple[list[datetime], list[str]]) -> None:
    names = names_of(folder)
    dated = [name for name in names if moment_of(name)]
    if dated:
        assert max(dated, key=lambda name: str(moment_of(name))) not in superfluous(names)


@given(folders)
def test_what_is_not_recognised_always_stays(folder: tuple[list[datetime], list[str]]) -> None:
    assert all(moment_of(name) for name in superfluous(names_of(folder)))


@given(folders)
def test_giving_up_again_gives_up_nothing_more(folder: tuple[list[datetime], list[str]]) -> None:
    names = names_of(folder)
    left = [name for name in names if name not in set(superfluous(names))]
    assert superfluous(left) == []
    assert len([name for name in left if moment_of(name)]) <= DAYS + WEEKS + MONTHS


@given(folders)
def test_the_last_day_week_and_month_that_have_one_keep_theirs(
    folder: tuple[list[datetime], list[str]],
) -> None:
    names = [daily_name(at) for at in folder[0]]
    left = {moment_of(name) for name in set(names) - set(superfluous(names))}
    for span, number in ((lambda at: at.date(), DAYS), (lambda at: (at.year, at.month), MONTHS)):
        newest_of: dict[object, datetime] = {}
        for at in sorted(folder[0]):
            newest_of[span(at)] = at
        assert set(sorted(newest_of.values())[-number:]) <= left


@given(moments)
def test_a_name_tells_its_moment(at: datetime) -> None:
    assert moment_of(daily_name(at)) == at


@settings(max_examples=20)
@given(st.dates(date(2020, 1, 1), date(2030, 1, 1)), st.lists(st.integers(1, 5), min_size=80, max_size=200))
def test_thinning_after_every_backup_keeps_what_thinning_once_would(start: date, gaps: list[int]) -> None:
    """Years of daily use: a backup that a later month or week will want is never gone before."""
    at = datetime.combine(start, datetime.min.time()) + timedelta(hours=9)
    folder: list[str] = []
    every: list[str] = []
    for gap in gaps:
        at += timedelta(days=gap)
        folder.append(daily_name(at))
        every.append(daily_name(at))
        gone = set(superfluous(folder))
        folder = [name for name in folder if name not in gone]
    gone = set(superfluous(every))
    assert folder == [name for name in every if name not in gone]


def test_a_year_of_daily_backups_leaves_seven_days_four_weeks_and_twelve_months() -> None:
    at = datetime(2025, 12, 1, 18, 0)
    folder = [daily_name(at + timedelta(days=day)) for day in range(365)]
    left = sorted(set(folder) - set(superfluous(folder)))
    assert [name[9:17] for name in left[-7:]] == [f"202611{day:02d}" for day in range(24, 31)]
    months = {name[9:15] for name in left}
    assert len(months) == 12
    assert len(left) <= DAYS + WEEKS + MONTHS
