"""Files in and out. Speaks in records of `kb.model`; knows no database."""
