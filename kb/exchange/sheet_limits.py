"""How large a table may be."""

MAX_ROWS = 200_000
MAX_COLUMNS = 500
MAX_CELL = 32_767
"""Characters of one cell; what a spreadsheet program itself holds."""
LONGEST_LINE = 4_000_000
