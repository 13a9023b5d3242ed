"""Readings said aloud: what a page can mean, what was heard, and what is asked before a value counts."""
