"""`python -m livewatch` is `livewatch`."""

import sys

from livewatch.commands.cli import main

sys.exit(main())
