"""Run the command line as `python -m examtally.cli`."""

import sys

from examtally.cli.app import main

sys.exit(main())
