"""Whether a board's outputs are isolated, its kind of switch, and the circumstances of a bench test"""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    nothing, no_words = sa.text("'{}'"), sa.text("''")
    op.add_column("family", sa.Column("isolated", sa.Boolean(), nullable=True))
    op.add_column("family", sa.Column("switch", sa.String(), nullable=False, server_default=no_words))
    op.add_column("bench_load", sa.Column("base", sa.String(), nullable=False, server_default=no_words))
    op.add_column("bench_run", sa.Column("setup", sa.JSON(), nullable=False, server_default=nothing))
    op.add_column("bench_entry", sa.Column("around", sa.JSON(), nullable=False, server_default=nothing))
