"""Bench runs with their entries, and reports to customers"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "bench_run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("family_id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=True),
        sa.Column("label", sa.String(), nullable=False),
        sa.Column("after_repair", sa.Boolean(), nullable=False),
        sa.Column("isolated", sa.Boolean(), nullable=False),
        sa.Column("soak_s", sa.Float(), nullable=False),
        sa.Column("loads", sa.JSON(), nullable=False),
        sa.Column("left_out", sa.JSON(), nullable=False),
        sa.Column("family", sa.JSON(), nullable=False),
        sa.Column("verdict", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("acknowledged_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["family_id"], ["family.id"], name=op.f("fk_bench_run_family_id")),
        sa.ForeignKeyConstraint(["case_id"], ["board_case.id"], name=op.f("fk_bench_run_case_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_run")),
        sa.UniqueConstraint("uid", name=op.f("uq_bench_run_uid")),
    )
    for column in ("family_id", "case_id", "state", "changed_at"):
        op.create_index(op.f(f"ix_bench_run_{column}"), "bench_run", [column], unique=False)
    op.create_table(
        "bench_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("min", sa.Float(), nullable=True),
        sa.Column("max", sa.Float(), nullable=True),
        sa.Column("open", sa.Boolean(), nullable=False),
        sa.Column("done", sa.Boolean(), nullable=False),
        sa.Column("written", sa.String(), nullable=False),
        sa.Column("load_a", sa.Float(), nullable=True),
        sa.Column("reading", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("taken_back", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["run_id"], ["bench_run.id"], name=op.f("fk_bench_entry_run_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_entry")),
    )
    op.create_index(op.f("ix_bench_entry_run_id"), "bench_entry", ["run_id"], unique=False)
    op.create_table(
        "customer_report",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("written_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["case_id"], ["board_case.id"], name=op.f("fk_customer_report_case_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customer_report")),
        sa.UniqueConstraint("uid", name=op.f("uq_customer_report_uid")),
    )
    op.create_index(op.f("ix_customer_report_case_id"), "customer_report", ["case_id"], unique=False)
