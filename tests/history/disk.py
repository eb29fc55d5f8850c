"""A disk of a test's own: ext4 on a loop device, which can be filled, made read-only, and cut off."""

import fcntl
import os
import shutil
import struct
import subprocess
import time
from pathlib import Path

_SHUTDOWN = 0x8004587D
"""EXT4_IOC_SHUTDOWN, _IOR('X', 125, __u32), of Linux's fs/ext4/ext4.h."""
_WITHOUT_LOG_FLUSH = 2
"""EXT4_GOING_FLAGS_NOLOGFLUSH: what has not reached the device is gone, as in a power cut."""


def why_not() -> str:
    """Why there can be no such disk here; empty where there can."""
    if os.geteuid() != 0:
        return "needs root, to mount a disk of its own"
    lacking = [name for name in ("mkfs.ext4", "mount", "umount", "losetup") if not shutil.which(name)]
    if lacking:
        return f"{', '.join(lacking)} missing (apt install e2fsprogs mount)"
    return "" if Path("/dev/loop-control").exists() else "there are no loop devices here"


def run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True, timeout=60)


class Disk:
    """A mounted file system in a file."""

    def __init__(self, folder: Path, mebibytes: int = 48) -> None:
        self.image, self.at = folder / "disk.img", folder / "disk"
        with self.image.open("wb") as opened:
            opened.truncate(mebibytes * 2**20)
        run("mkfs.ext4", "-q", "-m", "0", str(self.image))
        self.at.mkdir()
        self.mount()

    def mount(self) -> None:
        run("mount", "-o", "loop,errors=remount-ro", str(self.image), str(self.at))

    def unmount(self) -> None:
        run("umount", "-l", str(self.at))

    def cut(self) -> None:
        """As when the power goes: nothing more reaches the device, not even what the kernel holds."""
        folder = os.open(self.at, os.O_RDONLY)
        try:
            fcntl.ioctl(folder, _SHUTDOWN, struct.pack("I", _WITHOUT_LOG_FLUSH))
        finally:
            os.close(folder)

    def again(self) -> None:
        """The power is back, or the card sits in its socket again: once whoever had files open there is gone, since
        the kernel else gives the same dead file system once more."""
        for _ in range(100):
            done = subprocess.run(("umount", str(self.at)), capture_output=True, timeout=60)
            if done.returncode == 0:
                break
            time.sleep(0.1)
        else:
            self.unmount()
        self.mount()

    def fail(self) -> None:
        """The kernel finds an error on it and makes it read-only, as it does with a worn card."""
        mounts = Path("/proc/mounts").read_text(encoding="utf-8").splitlines()
        device = next(line.split()[0] for line in mounts if line.split()[1] == str(self.at))
        Path("/sys/fs/ext4", Path(device).name, "trigger_fs_error").write_text("1", encoding="ascii")

    def remount(self, how: str) -> None:
        """``ro`` or ``rw``, as an owner or a start of the machine does."""
        run("mount", "-o", f"remount,{how}", str(self.at))

    def repaired(self) -> None:
        self.unmount()
        subprocess.run(("e2fsck", "-p", "-f", str(self.image)), check=False, capture_output=True, timeout=60)
        self.mount()

    def fill(self) -> None:
        """Take every block that is left."""
        with (self.at / "filler").open("wb", buffering=0) as opened:
            for size in (2**20, 4096, 1):
                try:
                    while True:
                        opened.write(b"x" * size)
                except OSError:
                    continue

    def ease(self) -> None:
        (self.at / "filler").unlink()
