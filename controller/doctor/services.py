"""What all chambers share on an installed computer: units, page, messages, certificate."""

from __future__ import annotations

import asyncio
import grp
import ssl
import subprocess
from calendar import timegm
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from time import strptime

from controller.client import Client, ControllerError
from controller.doctor.finding import Finding, Mark, Places, judged
from controller.drivers.clocks import utc_us
from controller.install.places import API, API_OPTIONS, CONFIG, MESSENGER, USER, controller_unit
from controller.install.probe import ServiceProbe, http_port

ASK_S = 5.0
DAY_S = 86_400
SOON_DAYS = 30
TIMES = {0x17: "%y%m%d%H%M%SZ", 0x18: "%Y%m%d%H%M%SZ"}
"""Tag of a time in a certificate -> how it is written (RFC 5280, 4.1.2.5)."""
SEQUENCE, VERSION_TAG = 0x30, 0xA0

ADD_ONE = "Add a chamber: sudo soakwarden chamber add NAME. Page and messages start with the first one."

IsActive = Callable[[str], str]


def is_active(unit: str) -> str:
    """The service manager's word for a unit; empty where there is no service manager."""
    try:
        done = subprocess.run(("systemctl", "is-active", unit), capture_output=True, text=True, timeout=ASK_S, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout.strip()


def units(chambers: Sequence[str], ask: IsActive = is_active) -> Iterator[Finding]:
    """Do they run?"""
    for unit in (*map(controller_unit, chambers), API, MESSENGER):
        word = ask(unit)
        if not word:
            yield Finding(Mark.NOTE, "units", "this computer has no service manager that answers",
                          "Start things with soakwarden serve.")
            return
        yield judged(word == "active", unit, word, f"Read why: journalctl --namespace=soakwarden -u {unit} -n 30; then: sudo "
                     f"systemctl start {unit}." if chambers else ADD_ONE)


def answers(chambers: Sequence[str], root: Path = Path("/")) -> Iterator[Finding]:
    """Do page and messages answer?"""
    found = ServiceProbe(root).answering(chambers)
    port = http_port(root / API_OPTIONS.relative_to("/"))
    yield judged(API in found, "page", f"http://127.0.0.1:{port}/ {'answers' if API in found else 'does not answer'}",
                 f"Start it: sudo systemctl restart {API}. The heat does not depend on it, and \"Stop heating\" needs it."
                 if chambers else ADD_ONE)
    yield judged(MESSENGER in found, "messages", f"the messenger {'answers' if MESSENGER in found else 'does not answer'}",
                 f"Start it: sudo systemctl restart {MESSENGER}. Until then nobody is told, and nothing starts unattended."
                 if chambers else ADD_ONE)


def channels(desk: Path) -> Iterator[Finding]:
    """Which ways to people fail? The messenger knows; where it does not answer, that is told elsewhere."""
    try:
        status = asyncio.run(Client(desk / "messenger.sock", ASK_S).ask("status"))
    except ControllerError:
        return
    for kind, rows in (("channel", status["channels"]), ("heartbeat", status["beats"])):
        for row in rows:
            yield judged(row["state"] == "working", f"{kind} {row['name']}", f"{row['state']} {row['answer'] or ''}".rstrip(),
                         "Try it on the page, and mend what its answer says.",
                         Mark.BAD if row["state"] == "failing" else Mark.NOTE)


def group(_places: Places) -> Iterator[Finding]:
    """Is the service's group there, and who is in it?"""
    try:
        members = grp.getgrnam(USER).gr_mem
    except KeyError:
        yield Finding(Mark.BAD, "group", f"there is no group {USER}", "Make it: sudo soakwarden install.")
        return
    yield Finding(Mark.GOOD, "group", f"{USER}, with {', '.join(members) or 'nobody besides the service'} in it; they may ask "
                  "the controllers without a password")


def configured(options: Path) -> tuple[Path, ...]:
    """Certificate files that the page's options name."""
    try:
        lines = options.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return ()
    given = " ".join(line.partition("=")[2] for line in lines if line.startswith("API_OPTIONS="))
    return tuple(Path(after) for before, after in pairwise(given.replace("=", " ").split()) if before == "--cert")


def certificates(root: Path = Path("/")) -> Iterator[Finding]:
    """How long do they hold?"""
    for path in configured(root / API_OPTIONS.relative_to("/")):
        try:
            left_days = (ends_utc_s(path.read_text(encoding="ascii")) - utc_us() // 1_000_000) // DAY_S
        except (OSError, ValueError, IndexError) as error:
            yield Finding(Mark.BAD, "certificate", f"{path} cannot be read as a certificate: {error}",
                          f"Put a certificate there that the group {USER} may read, below {CONFIG}.")
            continue
        renew = f"Renew it, then: sudo systemctl restart {API}. Browsers on other computers refuse the page when it has ended."
        found = f"{path} ended {-left_days} days ago" if left_days < 0 else f"{path} holds for {left_days} more days"
        yield judged(left_days > SOON_DAYS, "certificate", found, renew, Mark.NOTE if left_days >= 0 else Mark.BAD)


def ends_utc_s(pem: str) -> int:
    """Until when the first certificate of a file is valid, seconds since 1970. Raises ValueError or IndexError otherwise.

    Structure by RFC 5280, 4.1: Certificate > TBSCertificate > [version], serialNumber, signature, issuer, validity.
    """
    start, end = pem.index("-----BEGIN CERTIFICATE-----"), pem.index("-----END CERTIFICATE-----")
    body = _inside(_inside(ssl.PEM_cert_to_DER_cert(pem[start:end] + "-----END CERTIFICATE-----\n")))
    fields = list(_parts(body))
    if fields[0][0] == VERSION_TAG:
        del fields[0]
    tag, validity = fields[3]
    if tag != SEQUENCE:
        raise ValueError("its validity is not where RFC 5280 has it")
    kind, text = list(_parts(validity))[1]
    return timegm(strptime(text.decode("ascii"), TIMES[kind])) if kind in TIMES else _no_time(kind)


def _no_time(kind: int) -> int:
    raise ValueError(f"tag {kind} is no time")


def _inside(data: bytes) -> bytes:
    """The content of the first element."""
    for _, content in _parts(data):
        return content
    raise ValueError("it is empty")


def _parts(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Tag and content of each element (DER, ITU-T X.690, 8.1)."""
    at = 0
    while at < len(data):
        tag, size, start = data[at], data[at + 1], at + 2
        if size & 0x80:
            start += size & 0x7F
            size = int.from_bytes(data[at + 2:start], "big")
        if start + size > len(data):
            raise ValueError("it is cut off")
        yield tag, data[start:start + size]
        at = start + size
