"""Which sessions of the store see one moment of it, so that what was asked once need not be asked again."""

from __future__ import annotations

from sqlmodel import Session

_ONE_MOMENT = "sees one moment"


def see_one_moment(session: Session) -> None:
    """Says of a session that nothing it reads can change while it lasts."""
    session.info[_ONE_MOMENT] = True


def sees_one_moment(session: Session) -> bool:
    """Whether that was said of the session."""
    return _ONE_MOMENT in session.info
