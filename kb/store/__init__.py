"""The records on disk: tables, migrations, transactions and the change feed."""

from kb.store.store import Store

__all__ = ["Store"]
