"""Pictures of boards, and what is where on them"""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    op.create_table(
        "board_picture",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("family_id", sa.Integer(), nullable=False),
        sa.Column("side", sa.String(), nullable=False),
        sa.Column("caption", sa.String(), nullable=False),
        sa.Column("taken", sa.Date(), nullable=True),
        sa.Column("content", sa.String(), nullable=False),
        sa.Column("stored_file_id", sa.Integer(), nullable=True),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("corners", sa.JSON(), nullable=False),
        sa.Column("straight_width_px", sa.Integer(), nullable=True),
        sa.Column("straight_height_px", sa.Integer(), nullable=True),
        sa.Column("mm_per_px", sa.Float(), nullable=True),
        sa.Column("replaced_by", sa.String(), nullable=True),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("added_by", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.Column("binned_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["family_id"], ["family.id"], name=op.f("fk_board_picture_family_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["stored_file_id"], ["stored_file.id"], name=op.f("fk_board_picture_stored_file_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_board_picture")),
        sa.UniqueConstraint("uid", name=op.f("uq_board_picture_uid")),
    )
    op.create_index("ix_board_picture_family_id", "board_picture", ["family_id", "id"], unique=False)
    op.create_index(op.f("ix_board_picture_content"), "board_picture", ["content"], unique=False)
    op.create_index(
        op.f("ix_board_picture_stored_file_id"), "board_picture", ["stored_file_id"], unique=False
    )
    op.create_table(
        "board_pin",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("picture_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("label", sa.String(), nullable=False),
        sa.Column("label_key", sa.String(), nullable=False),
        sa.Column("x", sa.Float(), nullable=True),
        sa.Column("y", sa.Float(), nullable=True),
        sa.Column("to_x", sa.Float(), nullable=True),
        sa.Column("to_y", sa.Float(), nullable=True),
        sa.Column("pins", sa.Integer(), nullable=True),
        sa.Column("rows", sa.Integer(), nullable=True),
        sa.Column("outline", sa.JSON(), nullable=False),
        sa.Column("part_class", sa.String(), nullable=False),
        sa.Column("section", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["picture_id"], ["board_picture.id"], name=op.f("fk_board_pin_picture_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_board_pin")),
    )
    op.create_index(
        "ix_board_pin_picture_id_label_key", "board_pin", ["picture_id", "label_key"], unique=False
    )
