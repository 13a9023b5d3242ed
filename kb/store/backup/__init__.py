"""Backing up and restoring a store, and copying one database into another."""
