"""Documents of a family"""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"


def upgrade() -> None:
    nothing = sa.text("'[]'")
    op.add_column("family", sa.Column("documents", sa.JSON(), nullable=False, server_default=nothing))
