"""`python -m perioview` is the command `perioview`."""

import sys

from perioview.cli import main

sys.exit(main())
