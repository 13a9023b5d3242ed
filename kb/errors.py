"""The one exception tree. Every message is a sentence a technician can act on.

KbError
├── BadInput        what was typed or sent cannot be used: names the field and the remedy
│   └── BadLine     the same, for one line of an import
├── NotFound        no such record
├── Conflict        somebody else changed the record meanwhile
├── AlreadyDone     this very write was done before: nothing was done again
├── Taken           the name or number already belongs to another record
├── NotSignedIn     it is not known who asks
├── NotAllowed      it is known, and they may not
│   └── ProveAgain  they may, once they have typed their password again
├── TooSoon         too many attempts failed, or too much is asked at once: says when to try again
├── InUse           other records still name it, so it cannot go
└── StoreTrouble    the store cannot be read or written: disk full, read-only, damaged
    ├── StoreReadOnly  the disk or the folder is write-protected; reading goes on
    └── StoreAway   the database server cannot be reached; what is kept here can still be read
"""

from __future__ import annotations


class KbError(Exception):
    """Base of all errors that are shown to people; `message` is a whole sentence."""

    status = 500

    def __init__(self, message: str, *, field: str | None = None, remedy: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.field = field
        self.remedy = remedy


class BadInput(KbError):
    """What was typed or sent cannot be used."""

    status = 422


class OthersCase(BadInput):
    """What may be done with own cases only was asked of another shop's."""

    def __init__(self, uid: str) -> None:
        super().__init__(
            f"Case {uid} is from another shop and stays as that shop recorded it.",
            field="origin",
            remedy="Make a case of your own from it.",
        )


class BadLine(BadInput):
    """One line of an import cannot be used; `line` counts from 1."""

    def __init__(
        self, message: str, *, line: int, field: str | None = None, remedy: str | None = None
    ) -> None:
        super().__init__(message, field=field, remedy=remedy)
        self.line = line


class NotFound(KbError):
    """There is no such record."""

    status = 404


class Conflict(KbError):
    """The record was changed by somebody else since it was read."""

    status = 412


class Taken(KbError):
    """The name or number already belongs to another record."""

    status = 409


class AlreadyDone(KbError):
    """The same write was sent before and done; `entity` and `name` are the first record that it wrote."""

    status = 409

    def __init__(self, entity: str, name: str) -> None:
        super().__init__(
            "This was saved already, the first time it was sent. Nothing was done twice.",
            remedy="Go on from the page of what was saved.",
        )
        self.entity, self.name = entity, name


class NotSignedIn(KbError):
    """It is not known who asks."""

    status = 401


class NotAllowed(KbError):
    """Who asks is known and may not."""

    status = 403


class ProveAgain(NotAllowed):
    """The password must be typed again first: it was typed too long ago for what is asked."""


class TooSoon(KbError):
    """Try again in `seconds`."""

    status = 429

    def __init__(self, message: str, *, seconds: int, remedy: str | None = None) -> None:
        super().__init__(message, remedy=remedy)
        self.seconds = seconds


class InUse(KbError):
    """Other records still name this one, so it cannot go."""

    status = 409


class InstrumentTrouble(KbError):
    """An instrument gives no reading: it is used elsewhere, silent, out of step, unplugged or beyond its range."""

    status = 409


class StoreTrouble(KbError):
    """The store itself cannot be read or written."""

    status = 503


class StoreReadOnly(StoreTrouble):
    """The disk or the folder of the store is write-protected."""


class StoreAway(StoreTrouble):
    """The database server cannot be reached."""
