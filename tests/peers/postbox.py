"""A real SMTP server (aiosmtpd) that lays each letter into a folder: postbox.py ADDRESS PORT FOLDER."""

import sys
import threading
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import Envelope


class Postbox:
    """Each letter becomes a file."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.count = folder, 0
        folder.mkdir(parents=True, exist_ok=True)

    async def handle_DATA(self, server: Any, session: Any, envelope: Envelope) -> str:
        self.count += 1
        content = envelope.content or b""
        raw = content if isinstance(content, bytes) else content.encode()
        (self.folder / f"{self.count:03d}.txt").write_bytes(raw)
        return "250 OK"


if __name__ == "__main__":
    controller = Controller(Postbox(Path(sys.argv[3])), hostname=sys.argv[1], port=int(sys.argv[2]))
    controller.start()
    threading.Event().wait()
