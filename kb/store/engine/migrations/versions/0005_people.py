"""People: accounts, sessions, tokens, failed sign-ins and the audit list"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("name_key", sa.String(), nullable=False),
        sa.Column("level", sa.String(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=False),
        sa.Column("link_hash", sa.String(), nullable=True),
        sa.Column("link_expires_at", sa.BigInteger(), nullable=True),
        sa.Column("added_at", sa.BigInteger(), nullable=False),
        sa.Column("signed_in_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("name_key", name=op.f("uq_person_name_key")),
        sa.UniqueConstraint("link_hash", name=op.f("uq_person_link_hash")),
    )
    op.create_index(op.f("ix_person_level"), "person", ["level"], unique=False)
    op.create_table(
        "person_session",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("key_hash", sa.String(), nullable=False),
        sa.Column("prior_hash", sa.String(), nullable=True),
        sa.Column("confirmed", sa.Boolean(), nullable=False),
        sa.Column("started_at", sa.BigInteger(), nullable=False),
        sa.Column("rotated_at", sa.BigInteger(), nullable=False),
        sa.Column("seen_at", sa.BigInteger(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("browser", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_person_session_person_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person_session")),
        sa.UniqueConstraint("key_hash", name=op.f("uq_person_session_key_hash")),
    )
    for column in ("person_id", "prior_hash"):
        op.create_index(op.f(f"ix_person_session_{column}"), "person_session", [column], unique=False)
    op.create_table(
        "person_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("scope", sa.String(), nullable=False),
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=False),
        sa.Column("used_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_person_token_person_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person_token")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_person_token_token_hash")),
    )
    op.create_index(op.f("ix_person_token_person_id"), "person_token", ["person_id"], unique=False)
    op.create_table(
        "failed_sign_in",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("last_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_failed_sign_in")),
    )
    op.create_index(op.f("ix_failed_sign_in_last_at"), "failed_sign_in", ["last_at"], unique=False)
    op.create_table(
        "audit_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("event", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_entry")),
        sqlite_autoincrement=True,
    )
    for column in ("at", "event"):
        op.create_index(op.f(f"ix_audit_entry_{column}"), "audit_entry", [column], unique=False)
