"""The bench test, dummy loads, and the report."""
