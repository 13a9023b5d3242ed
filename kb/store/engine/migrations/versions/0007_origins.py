"""Whose case it is: other shops, and the cases that came from them"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_table(
        "origin",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("exported", sa.Date(), nullable=False),
        sa.Column("brought_at", sa.DateTime(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(), nullable=True),
        sa.Column("withdrawn_batch", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_origin")),
    )
    # Both databases add a column with its foreign key in one statement; rebuilding the table would not do
    # on the largest stores.
    op.execute(
        "ALTER TABLE board_case ADD COLUMN origin_id VARCHAR "
        "CONSTRAINT fk_board_case_origin_id REFERENCES origin (id)"
    )
    op.create_index(op.f("ix_board_case_origin_id"), "board_case", ["origin_id"], unique=False)
