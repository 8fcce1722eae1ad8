"""`python -m coilbell`."""

import sys

from coilbell.cli import main

sys.exit(main())
