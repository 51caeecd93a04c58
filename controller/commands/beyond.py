"""Options of `serve` that are handed to the api as they are: for people who are not at this computer, and the circuit."""

from __future__ import annotations

import argparse
from typing import Any

OPTIONS = ("address", "outside_port", "cert", "key", "behind", "circuit_w")


def add(made: Any) -> None:
    """The same options as the api's own."""
    door = made.add_argument_group("beyond this computer", "see hardware_notes/another_room.md")
    door.add_argument("--address", help="listen there too, once somebody has an account: an address of this computer")
    door.add_argument("--outside-port", type=int, metavar="PORT", help="port there, another one than --http")
    door.add_argument("--cert", metavar="FILE", help="certificate chain (PEM): speak TLS there")
    door.add_argument("--key", metavar="FILE", help="its private key (PEM)")
    door.add_argument("--name", action="append", default=[], metavar="HOST", help="one more name of this computer")
    door.add_argument("--behind", metavar="ORIGIN", help="a reverse proxy shows this service as https://NAME")
    made.add_argument("--circuit-w", type=int, metavar="W", help="what the circuit that several chambers share can bear "
                                                                 "(default 2300 W: 10 A at 230 V; 120 V, 15 A is 1800)")


def words(options: argparse.Namespace) -> list[str]:
    """What the api is started with."""
    found = [(f"--{name.replace('_', '-')}", getattr(options, name)) for name in OPTIONS]
    given = [word for name, value in found if value not in (None, "") for word in (name, str(value))]
    return given + [word for name in options.name for word in ("--name", name)]
