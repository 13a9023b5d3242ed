"""Which automatic backups are kept: pure, so that it can be proved.

Kept are the newest of each of the last 7 days that have one, of the last 4 weeks and of the last 12 months.
Days without a backup do not count, so a bench that is shut for the summer loses nothing by it. Only what
this program named as a daily backup is ever given up; what a person made or put into the folder stays.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterable
from datetime import datetime

DAYS, WEEKS, MONTHS = 7, 4, 12
_MOMENT = "%Y%m%d-%H%M%S"
_DAILY = re.compile(r"kb-daily-(\d{8}-\d{6})\.zip")


def daily_name(moment: str) -> str:
    """The name of the daily backup made at a moment, written like 20261125-180000."""
    return f"kb-daily-{moment}.zip"


def moment_of(name: str) -> datetime | None:
    """When a daily backup was made by its name, None for any other file."""
    found = _DAILY.fullmatch(name)
    if found is None:
        return None
    try:
        moment = datetime.strptime(found[1], _MOMENT)
    except ValueError:
        return None
    return moment if moment.strftime(_MOMENT) == found[1] else None


def superfluous(names: Iterable[str]) -> list[str]:
    """The names of the daily backups that the rule gives up, the oldest first."""
    dated = {name: moment for name in names if (moment := moment_of(name)) is not None}
    newest_first = sorted(dated, key=lambda name: dated[name], reverse=True)
    kept: set[str] = set(newest_first[:1])
    spans: tuple[tuple[int, Callable[[datetime], Hashable]], ...] = (
        (DAYS, lambda moment: moment.date()),
        (WEEKS, lambda moment: moment.isocalendar()[:2]),
        (MONTHS, lambda moment: (moment.year, moment.month)),
    )
    for number, span in spans:
        newest_of: dict[Hashable, str] = {}
        for name in newest_first:
            newest_of.setdefault(span(dated[name]), name)
        kept.update(list(newest_of.values())[:number])
    return [name for name in reversed(newest_first) if name not in kept]
