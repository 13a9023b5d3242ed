"""A checksum of what each change wrote and of each earlier version, and which writes were already done"""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    # What was written before has none yet; the program works them out when the migrations are through.
    op.add_column("change", sa.Column("checksum", sa.String(), nullable=True))
    op.add_column("history", sa.Column("checksum", sa.String(), nullable=True))
    op.create_table(
        "sent_once",
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("entity", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("who", "key", name=op.f("pk_sent_once")),
    )
    op.create_index("ix_sent_once_at", "sent_once", ["at"], unique=False)
