"""A second factor of people, when a session last proved who holds it, and what a person was not told yet"""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    for column in (
        sa.Column("totp_secret", sa.String(), nullable=False, server_default=sa.text("''")),
        sa.Column("totp_added_at", sa.BigInteger(), nullable=True),
        sa.Column("totp_step", sa.BigInteger(), nullable=True),
        sa.Column("recovery_hashes", sa.Text(), nullable=False, server_default=sa.text("''")),
        sa.Column("untold", sa.Text(), nullable=False, server_default=sa.text("''")),
    ):
        op.add_column("person", column)
    op.add_column("person_session", sa.Column("proved_at", sa.BigInteger(), nullable=True))
