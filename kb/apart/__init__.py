"""What was sent is opened in a process beside this one, which may be stopped: see `pool.py`."""

from kb.apart.pool import Limits, Pool

__all__ = ["Limits", "Pool"]
