"""`python -m kb` is `kb`."""

import sys

from kb.cli.main import main

sys.exit(main())
