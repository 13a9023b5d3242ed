"""The records on disk: tables, migrations, transactions and the change feed."""

from kb.store.engine import Store

__all__ = ["Store"]
