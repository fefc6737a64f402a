"""`python -m livewatch` is `livewatch`."""

import sys

from livewatch.cli import main

sys.exit(main())
