"""The tables, one module for each group of records. Importing any of them makes all of them known to the metadata."""

from kb.store.tables import bench, core, files, people, pictures, sheets

__all__ = ["bench", "core", "files", "people", "pictures", "sheets"]
