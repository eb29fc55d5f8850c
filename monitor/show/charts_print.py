"""What draws charts: as a file for the browser, cut out once, and as SVG for paper. The only place with vl-convert.

Both take 150 MB while they work, so each runs in a process of its own that ends at once: ``python -m
monitor.show.charts_print bundle FILE``, or ``… svg`` with a JSON list of specifications on standard input.
"""

import asyncio
import importlib.metadata
import importlib.util
import json
import logging
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from monitor.show.child import first_to_go

LONGEST_S = 120.0
log = logging.getLogger(__name__)


def installed() -> str:
    """Version of what draws charts; empty where the extra is not installed."""
    if importlib.util.find_spec("vl_convert") is None:
        return ""
    return importlib.metadata.version("vl-convert-python")


async def cut_out(folder: Path) -> Path | None:
    """The file for the browser in a folder, made where it is not there yet; None where it cannot be made."""
    version = installed()
    if not version:
        return None
    file = folder / f"charts-{version}.js"
    if not file.is_file():
        command = [sys.executable, "-m", "monitor.show.charts_print", "bundle", str(file)]
        process = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.DEVNULL)
        try:
            async with asyncio.timeout(LONGEST_S):
                await process.wait()
        except TimeoutError:
            log.warning("what draws charts could not be cut out within %.0f s; the page has plain drawings", LONGEST_S)
        finally:
            if process.returncode is None:  # too long, or the daemon ends meanwhile
                process.kill()
                await process.wait()
    return file if file.is_file() else None


def svgs(specifications: Sequence[dict[str, Any]]) -> list[str]:
    """Each chart as SVG; none where the extra is not installed. Raises ValueError with what the process said."""
    if not specifications or not installed():
        return []
    command = [sys.executable, "-m", "monitor.show.charts_print", "svg"]
    done = subprocess.run(
        command, input=json.dumps(list(specifications)), capture_output=True, text=True, timeout=LONGEST_S
    )
    if done.returncode:
        raise ValueError(f"the charts could not be drawn: {done.stderr.strip()[-300:]}")
    drawn: list[str] = json.loads(done.stdout)
    return drawn


def main(arguments: Sequence[str]) -> None:
    """Work of the child process."""
    first_to_go()
    import vl_convert

    if arguments[0] == "bundle":
        file = Path(arguments[1])
        making = file.with_suffix(".new")
        bundle = vl_convert.javascript_bundle()  # type: ignore[call-arg]  # its stub knows no default
        try:
            making.write_text(bundle, encoding="utf-8")
            making.replace(file)
        except OSError as error:
            with suppress(OSError):
                making.unlink()
            raise SystemExit(f"what draws charts cannot be kept in {file.parent}: {error.strerror}") from None
    else:
        specifications = json.load(sys.stdin)
        json.dump([vl_convert.vegalite_to_svg(one) for one in specifications], sys.stdout)


if __name__ == "__main__":
    main(sys.argv[1:])
