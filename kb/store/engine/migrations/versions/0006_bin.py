"""A bin for every kind of record, and earlier versions that know whether they lay in it"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    for table in ("family", "symptom", "part_class", "bench_load", "history"):
        op.add_column(table, sa.Column("binned_at", sa.DateTime(timezone=True), nullable=True))
    # Asked for the changes that a batch made to one record, SQLite would read the whole batch otherwise.
    op.drop_index("ix_change_entity_key", "change")
    op.create_index("ix_change_entity_key_batch", "change", ["entity", "key", "batch"], unique=False)
