"""Instruments on the bench that a program can read: meters, bench supplies and electronic loads."""
