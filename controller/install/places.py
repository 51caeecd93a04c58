"""Where everything is on a computer with Soakwarden on it."""

from __future__ import annotations

import re
from pathlib import Path

USER = "soakwarden"
"""Service user and its group. People of the group may ask the controller over its socket."""
PROGRAMS = Path("/opt/soakwarden")
CURRENT = PROGRAMS / "current"
PREVIOUS = PROGRAMS / "previous"
HOUSE = Path("/var/lib/soakwarden")
"""One folder a chamber, `desk` and `copies` beside them."""
DESK = HOUSE / "desk"
COPIES = HOUSE / "copies"
CONFIG = Path("/etc/soakwarden")
API_OPTIONS = CONFIG / "api.env"
UNITS = Path("/etc/systemd/system")
JOURNAL = Path("/etc/systemd/journald@soakwarden.conf")
RULE = Path("/etc/udev/rules.d/70-soakwarden.rules")
COMMAND = Path("/usr/local/bin/soakwarden")

API, MESSENGER = "soakwarden-api.service", "soakwarden-messenger.service"
CONTROLLER = "soakwarden-controller@.service"
UNIT_FILES = (CONTROLLER, API, MESSENGER)
FILES = Path("controller/install/files")
"""In the program's folder: what is written elsewhere on the computer."""
NOT_CHAMBERS = (DESK.name, COPIES.name, API_OPTIONS.stem)
"""Their folders and settings have other uses."""
NAME = re.compile(r"[a-z][a-z0-9-]{0,29}")
"""A chamber's name: it stands in unit names, addresses of the page and folder names."""


def controller_unit(name: str) -> str:
    """The unit that looks after a chamber."""
    return f"soakwarden-controller@{name}.service"


def may_be_called(name: str) -> bool:
    """Can a chamber have this name?"""
    return NAME.fullmatch(name) is not None and name not in NOT_CHAMBERS
