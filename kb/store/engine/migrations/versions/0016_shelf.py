"""Parts on the shelf, quotes, notes of a family, and what the pins of a good board measure"""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"

ROW_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NUMBERS = ("tolerance_pct", "max_v", "max_a", "max_w", "max_c", "esr_ohm")


def upgrade() -> None:
    nothing, no_words = sa.text("'[]'"), sa.text("''")
    for name in ("tips", "revisions", "used_in", "pin_values"):
        op.add_column("family", sa.Column(name, sa.JSON(), nullable=False, server_default=nothing))
    op.add_column("board_case", sa.Column("pin_values", sa.JSON(none_as_null=True), nullable=True))
    op.add_column("board_case", sa.Column("quote", sa.JSON(none_as_null=True), nullable=True))
    op.add_column(
        "case_attempt", sa.Column("shelf_part", sa.String(), nullable=False, server_default=no_words)
    )
    op.add_column("case_attempt", sa.Column("shelf_count", sa.Integer(), nullable=True))
    op.create_table(
        "shelf_part",
        sa.Column("id", ROW_NUMBER, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("name_key", sa.String(), nullable=False),
        sa.Column("part_class", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("type_number", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(), nullable=False),
        *(sa.Column(name, sa.Float(), nullable=True) for name in NUMBERS),
        sa.Column("package", sa.String(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("least", sa.Integer(), nullable=True),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("price", sa.Float(), nullable=True),
        sa.Column("used_at", sa.JSON(), nullable=False),
        sa.Column("instead_of", sa.JSON(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("binned_at", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shelf_part")),
        sa.UniqueConstraint("name_key", name=op.f("uq_shelf_part_name_key")),
    )
