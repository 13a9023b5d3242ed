"""Who changed what, to which version, and which changes belong together"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.create_table(
        "batch",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("undone_by", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_batch")),
    )
    # Plain ALTER TABLE and not a rebuilt table: a rebuilt one would lose the counter that keeps change
    # numbers from ever being given twice.
    op.add_column("change", sa.Column("version", sa.Integer(), nullable=True))
    op.add_column("change", sa.Column("who", sa.String(), nullable=False, server_default=sa.text("''")))
    op.add_column("change", sa.Column("batch", sa.String(), nullable=True))
    op.create_index("ix_change_entity_key", "change", ["entity", "key"], unique=False)
    op.create_index("ix_change_batch", "change", ["batch"], unique=False)
