"""Ending tasks: asked again, because what a library has once kept to itself would be waited for without end."""

import asyncio
import logging
from collections.abc import Iterable
from typing import Any

log = logging.getLogger(__name__)

AGAIN_S, MOST_ASKS = 2.0, 3


async def end(tasks: Iterable["asyncio.Task[Any]"]) -> None:
    """Cancel tasks and wait until they have ended; what they raise meanwhile is theirs."""
    left = {task for task in tasks if not task.done()}
    for _ in range(MOST_ASKS):
        if not left:
            break
        for task in left:
            task.cancel()
        _, left = await asyncio.wait(left, timeout=AGAIN_S)
    for task in left:
        log.error("%s does not end; it is left behind", task.get_name())
