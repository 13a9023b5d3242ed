"""First tables"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "bench_load",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("name_key", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("points", sa.JSON(), nullable=False),
        sa.Column("ohm", sa.Float(), nullable=True),
        sa.Column("tolerance_pct", sa.Float(), nullable=True),
        sa.Column("max_w", sa.Float(), nullable=True),
        sa.Column("max_v", sa.Float(), nullable=True),
        sa.Column("max_a", sa.Float(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_load")),
        sa.UniqueConstraint("name_key", name=op.f("uq_bench_load_name_key")),
    )
    op.create_table(
        "change",
        sa.Column("seq", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("nonce", sa.String(), nullable=False),
        sa.Column("entity", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("operation", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_change")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "family",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("code_key", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("mains_v", sa.Float(), nullable=True),
        sa.Column("bulk_v", sa.Float(), nullable=True),
        sa.Column("bulk_uf", sa.Float(), nullable=True),
        sa.Column("fuse", sa.String(), nullable=False),
        sa.Column("enable", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_family")),
        sa.UniqueConstraint("code_key", name=op.f("uq_family_code_key")),
    )
    op.create_table(
        "history",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entity", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("record", sa.JSON(), nullable=False),
        sa.Column("replaced_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_history")),
    )
    with op.batch_alter_table("history", schema=None) as batch_op:
        batch_op.create_index("ix_history_entity_key", ["entity", "key"], unique=False)

    op.create_table(
        "part_class",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("name_key", sa.String(), nullable=False),
        sa.Column("synonyms", sa.JSON(), nullable=False),
        sa.Column("letters", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part_class")),
        sa.UniqueConstraint("name_key", name=op.f("uq_part_class_name_key")),
    )
    op.create_table(
        "setting",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_setting")),
    )
    op.create_table(
        "symptom",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("name_key", sa.String(), nullable=False),
        sa.Column("synonyms", sa.JSON(), nullable=False),
        sa.Column("how", sa.String(), nullable=False),
        sa.Column("minutes", sa.Float(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_symptom")),
        sa.UniqueConstraint("name_key", name=op.f("uq_symptom_name_key")),
    )
    op.create_table(
        "board_case",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("family_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.String(), nullable=False),
        sa.Column("received", sa.Date(), nullable=True),
        sa.Column("closed", sa.Date(), nullable=True),
        sa.Column("verdict", sa.String(), nullable=True),
        sa.Column("complaint", sa.Text(), nullable=False),
        sa.Column("customer", sa.String(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("binned_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["family_id"], ["family.id"], name=op.f("fk_board_case_family_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_board_case")),
        sa.UniqueConstraint("uid", name=op.f("uq_board_case_uid")),
    )
    with op.batch_alter_table("board_case", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_board_case_changed_at"), ["changed_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_board_case_closed"), ["closed"], unique=False)
        batch_op.create_index("ix_board_case_family_id_received", ["family_id", "received"], unique=False)
        batch_op.create_index(batch_op.f("ix_board_case_received"), ["received"], unique=False)
        batch_op.create_index(batch_op.f("ix_board_case_verdict"), ["verdict"], unique=False)

    op.create_table(
        "family_connector",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("family_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("pins", sa.Integer(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["family_id"], ["family.id"], name=op.f("fk_family_connector_family_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_family_connector")),
    )
    with op.batch_alter_table("family_connector", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_family_connector_family_id"), ["family_id"], unique=False)

    op.create_table(
        "family_number",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("family_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(), nullable=False),
        sa.Column("number_key", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["family_id"], ["family.id"], name=op.f("fk_family_number_family_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_family_number")),
        sa.UniqueConstraint("number_key", name=op.f("uq_family_number_number_key")),
    )
    with op.batch_alter_table("family_number", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_family_number_family_id"), ["family_id"], unique=False)

    op.create_table(
        "family_rail",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("family_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("nominal_v", sa.Float(), nullable=False),
        sa.Column("tolerance_pct", sa.Float(), nullable=True),
        sa.Column("rated_a", sa.Float(), nullable=True),
        sa.Column("ripple_mv", sa.Float(), nullable=True),
        sa.Column("always_on", sa.Boolean(), nullable=False),
        sa.Column("connector", sa.String(), nullable=False),
        sa.Column("pins", sa.JSON(), nullable=False),
        sa.Column("ground_pins", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["family_id"], ["family.id"], name=op.f("fk_family_rail_family_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_family_rail")),
    )
    with op.batch_alter_table("family_rail", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_family_rail_family_id"), ["family_id"], unique=False)

    op.create_table(
        "case_attempt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), nullable=False),
        sa.Column("part_class_id", sa.Integer(), nullable=False),
        sa.Column("section", sa.String(), nullable=False),
        sa.Column("failure", sa.String(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("result", sa.String(), nullable=False),
        sa.Column("cost_cents", sa.Integer(), nullable=True),
        sa.Column("minutes", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["case_id"], ["board_case.id"], name=op.f("fk_case_attempt_case_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["part_class_id"], ["part_class.id"], name=op.f("fk_case_attempt_part_class_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_attempt")),
    )
    with op.batch_alter_table("case_attempt", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_case_attempt_case_id"), ["case_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_case_attempt_part_class_id"), ["part_class_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_case_attempt_section"), ["section"], unique=False)

    op.create_table(
        "case_follow_up",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["board_case.id"], name=op.f("fk_case_follow_up_case_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_follow_up")),
    )
    with op.batch_alter_table("case_follow_up", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_case_follow_up_case_id"), ["case_id"], unique=False)

    op.create_table(
        "case_reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("rail", sa.String(), nullable=True),
        sa.Column("point", sa.String(), nullable=True),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("supply", sa.String(), nullable=False),
        sa.Column("load", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("min", sa.Float(), nullable=True),
        sa.Column("max", sa.Float(), nullable=True),
        sa.Column("written", sa.String(), nullable=False),
        sa.Column("after_repair", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["board_case.id"], name=op.f("fk_case_reading_case_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_reading")),
    )
    with op.batch_alter_table("case_reading", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_case_reading_case_id"), ["case_id"], unique=False)

    op.create_table(
        "case_symptom",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("symptom_id", sa.Integer(), nullable=False),
        sa.Column("present", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["board_case.id"], name=op.f("fk_case_symptom_case_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["symptom_id"], ["symptom.id"], name=op.f("fk_case_symptom_symptom_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_symptom")),
    )
    with op.batch_alter_table("case_symptom", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_case_symptom_case_id"), ["case_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_case_symptom_symptom_id"), ["symptom_id"], unique=False)
