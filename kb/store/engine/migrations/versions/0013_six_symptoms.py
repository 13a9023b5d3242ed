"""Six symptoms that people name and the list did not have"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"

SYMPTOM = sa.table(
    "symptom",
    sa.column("name", sa.String),
    sa.column("name_key", sa.String),
    sa.column("synonyms", sa.JSON),
    sa.column("how", sa.String),
    sa.column("minutes", sa.Float),
    sa.column("version", sa.Integer),
)
# (name, other words, how it is found out, minutes)
NEW = (
    (
        "does not work",
        ("not working", "does not function", "no longer works", "stopped working", "out of order"),
        "told",
        1.0,
    ),
    (
        "does not boot",
        ("will not boot", "won't boot", "not booting", "stuck at the logo", "hangs at boot"),
        "told",
        1.0,
    ),
    ("freezes", ("locks up", "keeps freezing", "crashes", "hangs up"), "told", 1.0),
    ("relay clicks once", ("clicks once", "one click", "single click"), "told", 1.0),
    (
        "one channel silent",
        ("one channel dead", "left channel dead", "right channel dead", "sound on one side only"),
        "told",
        1.0,
    ),
    (
        "more than one output missing",
        ("several rails missing", "two rails missing", "no 12v and no 24v", "no 12v no 24v"),
        "powered check",
        4.0,
    ),
)


def upgrade() -> None:
    connection = op.get_bind()
    taken = set()
    for key, synonyms in connection.execute(sa.select(SYMPTOM.c.name_key, SYMPTOM.c.synonyms)):
        taken |= {key, *(word.casefold() for word in synonyms or ())}
    if not taken:
        return  # a new store, which gets the whole list
    # A shop that has named one of them itself keeps its own; a word means one thing only.
    rows = [
        {
            "name": name,
            "name_key": name,
            "synonyms": [word for word in words if word.casefold() not in taken],
            "how": how,
            "minutes": minutes,
            "version": 1,
        }
        for name, words, how, minutes in NEW
        if name not in taken
    ]
    if rows:
        connection.execute(sa.insert(SYMPTOM), rows)
