"""Tells the service manager how we are: datagrams to the socket it names (sd_notify(3), from memory).

A ping means that a whole tick has ended and all its parts checked in, tripped or not; a thread that merely lives sends
none. The variables are removed at once, so no child can ping in our name.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import MutableMapping

PING_EVERY_S = 0.5
"""Of the watchdog's own time."""


class Notifier:
    """Sends to NOTIFY_SOCKET, or nowhere when there is none. Never blocks, never raises."""

    def __init__(self, environment: MutableMapping[str, str] | None = None) -> None:
        environment = os.environ if environment is None else environment
        address = environment.pop("NOTIFY_SOCKET", "")
        watchdog_us = environment.pop("WATCHDOG_USEC", "")
        owner = environment.pop("WATCHDOG_PID", "")
        ours = not owner or owner == str(os.getpid())
        self.watchdog_us = int(watchdog_us) if watchdog_us.isdigit() and ours else 0
        """0: nobody wants pings."""
        self._pinged_us = 0
        self._socket: socket.socket | None = None
        if address:
            self._connect("\0" + address[1:] if address.startswith("@") else address)

    def _connect(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC)
        try:
            self._socket.connect(address)
        except OSError:
            self._socket.close()
            self._socket = None

    def ready(self, status: str) -> None:
        """The service is up."""
        self._send(f"READY=1\nSTATUS={status}\n")

    def ping(self, mono_us: int) -> None:
        """At the end of a tick whose parts all checked in; sent when half the watchdog's time is over, at most."""
        if self.watchdog_us and mono_us - self._pinged_us >= self.watchdog_us * PING_EVERY_S / 2:
            self._pinged_us = mono_us
            self._send("WATCHDOG=1\n")

    def stopping(self, reason: str) -> None:
        """The service is about to end; nothing is sent after it."""
        self._send(f"STOPPING=1\nSTATUS={reason}\n")
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, text: str) -> None:
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.send(text.encode())
