"""Keeping it running: backups, integrity, upgrades, health."""
