"""HTML pages: each route reads what was asked, calls one use case and fills one template."""
