"""Lists and counts that no page has to look through all cases for"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"

ROW_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
ON_BENCH = "verdict IS NULL AND binned_at IS NULL AND origin_id IS NULL"
KEPT = "board_case.binned_at IS NULL"
OWN = f"{KEPT} AND origin_id IS NULL"
# What is counted: of which families (0: all), of what, and which cases.
TOTALS = (
    ("kept", "0", "''", KEPT),
    ("kept", "board_case.family_id", "''", KEPT),
    ("binned", "0", "''", "board_case.binned_at IS NOT NULL"),
    ("binned", "board_case.family_id", "''", "board_case.binned_at IS NOT NULL"),
    ("binned", "0", "worker", "board_case.binned_at IS NOT NULL AND worker <> ''"),
    ("origin", "0", "origin_id", f"{KEPT} AND origin_id IS NOT NULL"),
    ("worked", "0", "worker", f"{KEPT} AND worker <> ''"),
    ("open", "0", "''", ON_BENCH),
    ("open", "0", "worker", f"{ON_BENCH} AND worker <> ''"),
    ("waiting", "0", "''", f"{ON_BENCH} AND waiting_for <> ''"),
    ("waiting", "0", "worker", f"{ON_BENCH} AND waiting_for <> '' AND worker <> ''"),
    ("closed", "board_case.family_id", "''", f"{OWN} AND verdict IS NOT NULL"),
    (
        "closed in",
        "0",
        "substr(CAST(coalesce(closed, received) AS VARCHAR(10)), 1, 4)",
        f"{OWN} AND verdict IS NOT NULL AND coalesce(closed, received) IS NOT NULL",
    ),
)
NAMED = (("symptom", "case_symptom"), ("part_class", "case_attempt"))


def upgrade() -> None:
    op.add_column("board_case", sa.Column("day", sa.Date(), nullable=True))
    op.add_column("case_attempt", sa.Column("family_id", ROW_NUMBER, nullable=True))
    op.add_column("case_attempt", sa.Column("day", sa.Date(), nullable=True))
    op.execute("UPDATE board_case SET day = coalesce(received, closed)")
    op.execute(
        "UPDATE case_attempt SET (family_id, day) = "
        "(SELECT board_case.family_id, board_case.day FROM board_case WHERE board_case.id = case_id)"
    )
    _indexes()
    _totals()


def _indexes() -> None:
    for table, old in (
        ("board_case", ("family_id_received", "verdict", "changed_at", "worker", "origin_id")),
        ("case_attempt", ("section",)),
        ("change", ("batch",)),
    ):
        for column in old:
            op.drop_index(f"ix_{table}_{column}", table)
    for name, table, columns in (
        ("ix_board_case_family_id_day", "board_case", ["family_id", "day", "id"]),
        ("ix_case_attempt_fix", "case_attempt", ["family_id", "part_class_id", "section", "day", "case_id"]),
        ("ix_change_entity_seq", "change", ["entity", "seq"]),
        ("ix_change_who_seq", "change", ["who", "seq"]),
        ("ix_change_batch_seq", "change", ["batch", "seq"]),
    ):
        op.create_index(name, table, columns, unique=False)
    for name, table, columns, rows in (
        ("ix_board_case_day", "board_case", ["day", "id"], "binned_at IS NULL"),
        ("ix_board_case_own_day", "board_case", ["day", "id"], "binned_at IS NULL AND origin_id IS NULL"),
        ("ix_board_case_open_day", "board_case", ["day", "id"], ON_BENCH),
        ("ix_board_case_open_worker", "board_case", ["worker", "day", "id"], ON_BENCH),
        (
            "ix_board_case_waiting",
            "board_case",
            ["waiting_since", "id", "worker"],
            f"{ON_BENCH} AND waiting_for <> ''",
        ),
        ("ix_board_case_binned_at", "board_case", ["binned_at", "id"], "binned_at IS NOT NULL"),
        ("ix_board_case_binned_day", "board_case", ["day", "id"], "binned_at IS NOT NULL"),
        ("ix_board_case_others", "board_case", ["origin_id", "binned_at"], "origin_id IS NOT NULL"),
        ("ix_case_follow_up_came_back", "case_follow_up", ["date", "id"], "state <> 'still working'"),
        ("ix_bench_run_under_way", "bench_run", ["id"], "finished_at IS NULL"),
    ):
        where = sa.text(rows)
        op.create_index(name, table, columns, unique=False, sqlite_where=where, postgresql_where=where)


def _totals() -> None:
    op.create_table(
        "case_total",
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("family_id", ROW_NUMBER, nullable=False),
        sa.Column("item", sa.String(), nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("what", "family_id", "item", name=op.f("pk_case_total")),
    )
    op.create_index("ix_case_total_most", "case_total", ["what", "family_id", "cases"], unique=False)
    op.create_table(
        "change_total",
        sa.Column("entity", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("changes", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("entity", "who", name=op.f("pk_change_total")),
    )
    into = "INSERT INTO case_total (what, family_id, item, cases) "
    for what, family, item, rows in TOTALS:
        # Without a group there is one row, also where nothing is counted, which does no harm.
        groups = [name for name in (family, item) if name not in ("0", "''")]
        group = f" GROUP BY {', '.join(groups)}" if groups else ""
        op.execute(f"{into}SELECT '{what}', {family}, {item}, count(*) FROM board_case WHERE {rows}{group}")
    for family in ("0", "board_case.family_id"):
        op.execute(
            f"{into}SELECT 'present', {family}, CAST(symptom_id AS VARCHAR(20)), count(*) FROM case_symptom "
            f"JOIN board_case ON board_case.id = case_id WHERE {KEPT} AND present GROUP BY 2, 3"
        )
    for what, table in NAMED:
        for prefix, rows in (("", KEPT), ("binned ", "board_case.binned_at IS NOT NULL")):
            op.execute(
                f"{into}SELECT '{prefix}{what}', 0, CAST({what}_id AS VARCHAR(20)), count(DISTINCT case_id) "
                f"FROM {table} JOIN board_case ON board_case.id = case_id WHERE {rows} GROUP BY 2, 3"
            )
    op.execute("INSERT INTO change_total SELECT entity, who, count(*) FROM change GROUP BY entity, who")
