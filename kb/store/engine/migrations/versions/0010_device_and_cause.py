"""What device a board came out of, and which of several parts was the cause"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    for name in ("brand", "device", "serial"):
        op.add_column(
            "board_case", sa.Column(name, sa.String(), nullable=False, server_default=sa.text("''"))
        )
    op.add_column("board_case", sa.Column("year_made", sa.Integer(), nullable=True))
    op.add_column("case_attempt", sa.Column("cause", sa.Boolean(), nullable=True))
