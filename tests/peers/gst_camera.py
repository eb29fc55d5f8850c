"""A camera for tests: GStreamer's RTSP server with a moving, frozen or dark picture. Runs under Debian's own python3.

gst_camera.py ADDRESS PORT [--login user:password] [--picture snow|frozen|dark] [--kilobits 1500] [--no tcp|udp]
"""

import argparse

import gi

gi.require_version("Gst", "1.0")
gi.require_version("GstRtspServer", "1.0")
gi.require_version("GstRtsp", "1.0")
from gi.repository import GLib, Gst, GstRtsp, GstRtspServer  # noqa: E402  # after the versions are said

PICTURES = {
    "snow": "videotestsrc is-live=true pattern=snow",
    "frozen": "videotestsrc is-live=true pattern=checkers-8",
    "dark": "videotestsrc is-live=true pattern=black",
}

parser = argparse.ArgumentParser()
parser.add_argument("address")
parser.add_argument("port")
parser.add_argument("--login")
parser.add_argument("--picture", default="snow", choices=PICTURES)
parser.add_argument("--kilobits", type=int, default=1500)
parser.add_argument("--no", choices=("tcp", "udp"))
given = parser.parse_args()

Gst.init(None)
server = GstRtspServer.RTSPServer()
server.set_address(given.address)
server.set_service(given.port)
factory = GstRtspServer.RTSPMediaFactory()
factory.set_launch(
    f"( {PICTURES[given.picture]} ! video/x-raw,width=640,height=360,framerate=15/1 "
    f"! x264enc tune=zerolatency speed-preset=ultrafast bitrate={given.kilobits} key-int-max=30 "
    "! video/x-h264,profile=baseline ! rtph264pay name=pay0 pt=96 config-interval=1 )"
)
factory.set_shared(True)
lower = GstRtsp.RTSPLowerTrans
factory.set_protocols({"tcp": lower.UDP, "udp": lower.TCP, None: lower.UDP | lower.TCP}[given.no])
if given.login:
    user, password = given.login.split(":")
    auth, token = GstRtspServer.RTSPAuth(), GstRtspServer.RTSPToken()
    auth.set_supported_methods(GstRtsp.RTSPAuthMethod.DIGEST)
    token.set_string("media.factory.role", "user")
    auth.set_realm("camera")
    auth.add_digest(user, password, token)
    server.set_auth(auth)
    may = "user, media.factory.access=(boolean)true, media.factory.construct=(boolean)true"
    factory.add_role_from_structure(Gst.Structure.new_from_string(may))
server.get_mount_points().add_factory("/main", factory)
if server.attach(None) == 0:
    raise SystemExit("the port cannot be opened")
print("ready", flush=True)  # noqa: T201  # what the test waits for
GLib.MainLoop().run()
