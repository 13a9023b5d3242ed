"""`python -m kb` is `kb`."""

import sys

from kb.cli import main

sys.exit(main())
