"""Who has a board in hand, and what it lies waiting for"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    for name in ("worker", "waiting_for"):
        op.add_column(
            "board_case", sa.Column(name, sa.String(), nullable=False, server_default=sa.text("''"))
        )
    op.add_column("board_case", sa.Column("waiting_since", sa.Date(), nullable=True))
    op.create_index(op.f("ix_board_case_worker"), "board_case", ["worker"], unique=False)
