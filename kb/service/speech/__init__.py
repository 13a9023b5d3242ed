"""Readings said at the bench."""
