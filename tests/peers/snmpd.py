"""A real snmpd on loopback for tests, started and stopped by its id."""

import os
import socket
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

CONF = """agentAddress udp:127.0.0.1:{port}
sysName bench
engineID {engine}
rocommunity farm-ro
createUser mon SHA-256 authpass12 AES privpass12
rouser mon authpriv
createUser low SHA-256 authpass12
rouser low auth
createUser five SHA-512 authpass12 AES-256 privpass12
rouser five authpriv
createUser one SHA authpass12 AES privpass12
rouser one authpriv
createUser stretched SHA authpass12 AES-256 privpass12
rouser stretched authpriv
createUser middle SHA-384 authpass12 AES-192 privpass12
rouser middle authpriv
createUser old MD5 authpass12 DES privpass12
rouser old authpriv
rwcommunity farm-rw
createUser hand SHA-256 authpass12 AES privpass12
rwuser hand authpriv
"""
SYS_UPTIME_V2C = "302702010104076661726d2d726fa019020101020100020100300e300c06082b060102010103000500"
"""GET sysUpTime.0 with community farm-ro, version 2c."""


@dataclass
class Snmpd:
    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self, engine: str = "farpole-bench") -> None:
        var = self.folder / "var"
        var.mkdir(exist_ok=True)
        (self.folder / "snmpd.conf").write_text(CONF.format(port=self.port, engine=engine))
        environment = {**os.environ, "MIBS": "", "SNMP_PERSISTENT_DIR": str(var), "HOME": str(self.folder)}
        words = [
            "/usr/sbin/snmpd",
            "-m",
            "",
            "-f",
            "-Lf",
            str(self.folder / "log"),
            "-C",
            "-c",
            f"{self.folder}/snmpd.conf,{var}/snmpd.conf",
            "-p",
            str(self.folder / "pid"),
        ]
        self.process = subprocess.Popen(words, env=environment)
        for _ in range(50):
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
                probe.connect(("127.0.0.1", self.port))
                probe.settimeout(0.2)
                try:
                    probe.send(bytes.fromhex(SYS_UPTIME_V2C))
                    probe.recv(100)
                    return
                except OSError:
                    time.sleep(0.1)
        raise AssertionError(f"snmpd does not answer: {(self.folder / 'log').read_text()}")

    def stop(self) -> None:
        if self.process:
            self.process.terminate()
            self.process.wait(10)
