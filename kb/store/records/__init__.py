"""The only place that queries. Functions take a session and speak in records of `kb.model`."""
