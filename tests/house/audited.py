"""What was found out about known vulnerabilities of what is used: python -m tests.house.audited FILE

The file is what pip-audit has written. One line; exit status 1 where a vulnerability is known.
"""

import json
import sys
from pathlib import Path
from typing import Any


def told(file: Path) -> tuple[str, int]:
    """What to say of it, and the exit status.

    >>> told(Path("/nowhere"))
    ('nobody could be asked: not looked up', 0)
    """
    if not file.is_file():
        return "nobody could be asked: not looked up", 0
    found: list[dict[str, Any]] = json.loads(file.read_text(encoding="utf-8"))["dependencies"]
    asked = [one for one in found if "skip_reason" not in one]
    if not asked:
        return f"none of {len(found)} packages could be looked up", 0
    known = [f"{one['name']} {one['version']}: {v['id']}" for one in asked for v in one["vulns"]]
    if known:
        return "\n".join(known), 1
    return f"{len(asked)} of {len(found)} packages were looked up, nothing is known against them", 0


if __name__ == "__main__":
    words, status = told(Path(sys.argv[1]))
    sys.stdout.write(f"{words}\n")
    sys.exit(status)
