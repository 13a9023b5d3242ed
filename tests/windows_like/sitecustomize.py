"""Found by Python at its start where this folder is on the path: see `__init__.py`."""

import importlib.util
import sys
from pathlib import Path

_place = Path(__file__).with_name("__init__.py")
_spec = importlib.util.spec_from_file_location("windows_like", _place)
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
sys.modules["windows_like"] = _module
_spec.loader.exec_module(_module)
_module.take_away()
