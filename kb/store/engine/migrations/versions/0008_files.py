"""Photographs and files of cases"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    op.create_table(
        "stored_file",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("content", sa.String(), nullable=False),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=True),
        sa.Column("height_px", sa.Integer(), nullable=True),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stored_file")),
        sa.UniqueConstraint("content", name=op.f("uq_stored_file_content")),
    )
    op.create_table(
        "case_file",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("stored_file_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("original_name", sa.String(), nullable=False),
        sa.Column("caption", sa.String(), nullable=False),
        sa.Column("marks", sa.JSON(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("added_by", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("binned_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["case_id"], ["board_case.id"], name=op.f("fk_case_file_case_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["stored_file_id"], ["stored_file.id"], name=op.f("fk_case_file_stored_file_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_file")),
        sa.UniqueConstraint("case_id", "stored_file_id", name=op.f("uq_case_file_case_id_stored_file_id")),
        sa.UniqueConstraint("uid", name=op.f("uq_case_file_uid")),
    )
    op.create_index("ix_case_file_case_id_position", "case_file", ["case_id", "position"], unique=False)
    op.create_index(op.f("ix_case_file_stored_file_id"), "case_file", ["stored_file_id"], unique=False)
