"""Cases found by their customer without looking through all of them"""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    where = sa.text("binned_at IS NULL")
    op.create_index(
        "ix_board_case_customer",
        "board_case",
        ["customer", "day", "id"],
        unique=False,
        sqlite_where=where,
        postgresql_where=where,
    )
