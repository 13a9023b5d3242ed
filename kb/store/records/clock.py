"""Whether the clock of the machine may be trusted with what deletes for good."""

from __future__ import annotations

from sqlalchemy import insert, select, update
from sqlmodel import Session, col

from kb.store.tables.core import Setting

_NAME = "clock"
DAY_S = 86_400
# A store that nobody opened for so long, or whose clock was set: nobody can tell these apart.
_GAP_S = 2 * DAY_S


def is_plausible(session: Session, now: float) -> bool:
    """Notes the time, and says whether it has gone on without a jump for a day.

    It is asked some times a day. Where it was last asked more than two days ago, or later than now, a day passes
    before it is believed.
    """
    known = session.scalar(select(col(Setting.value)).where(col(Setting.name) == _NAME))
    seen, doubtful_until = (known["seen"], known["doubtful_until"]) if known else (now, 0.0)
    if not -3_600 <= now - seen <= _GAP_S or doubtful_until > now + DAY_S:
        doubtful_until = now + DAY_S
    value = {"seen": now, "doubtful_until": doubtful_until}
    if known is None:
        session.execute(insert(Setting), [{"name": _NAME, "value": value}])
    else:
        session.execute(update(Setting).where(col(Setting.name) == _NAME).values(value=value))
    return now >= doubtful_until
