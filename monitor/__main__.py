"""``python -m monitor`` is the same as the command ``farpole``."""

import sys

from monitor.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
