"""Who is at the other end of a local socket, as the system itself says."""

from __future__ import annotations

import os
import pwd
import socket
import struct

CREDENTIALS = struct.Struct("3i")
"""struct ucred: pid, uid, gid (unix(7), from memory)."""


def peer_user(line: socket.socket) -> str:
    """The other end's user name when it is not our own user; else empty. An unknown uid is given as a number."""
    try:
        data = line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, CREDENTIALS.size)
    except OSError:
        return "unknown"
    _, uid, _ = CREDENTIALS.unpack(data)
    if uid == os.getuid():
        return ""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"
