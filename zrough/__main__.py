"""``python -m zrough`` is the command line."""

import sys

from zrough.cli import main

sys.exit(main())
