"""Judges every guard, latches trips, and gives or withholds the permit. Trusts nothing that steers.

Imports neither the regulator nor the schedule: what they want is no reason to heat. All functions are pure; `clock_us` is
the board's time for board guards and the host's for host guards, and persistence counts nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from operator import itemgetter, lt
from typing import NamedTuple

from controller.core.guards import GUARDS, Action, Clock, Contact, During, Guard
from controller.core.watch import BOARD_WATCHED, HOST_WATCHED, UNKNOWN


class Standing(NamedTuple):
    """One guard: since when its value has been at the limit (-1: it is not), and whether it stands."""

    since_us: int = -1
    stands: bool = False


class Latch(NamedTuple):
    """One trip, kept until a maintainer clears it."""

    guard: str
    mono_us: int
    value: int
    limit: int
    detail: str
    first_out: bool


class Finding(NamedTuple):
    """A guard began or ceased to stand."""

    guard: Guard
    stands: bool
    value: int
    limit: int


Rows = Callable[[Sequence[int]], tuple[int, ...]]
CALM = Standing()
BOARD_ROWS = tuple(number for number, guard in enumerate(GUARDS) if guard.clock is Clock.BOARD)
HOST_ROWS = tuple(number for number, guard in enumerate(GUARDS) if guard.clock is Clock.HOST)
WITHHOLDING = tuple(number for number, guard in enumerate(GUARDS) if guard.action >= Action.INTERLOCK)
ROWS_OF = {contact: tuple(number for number in WITHHOLDING if GUARDS[number].contact is contact) for contact in Contact}
board_row_values: Rows = itemgetter(*(BOARD_WATCHED.index(GUARDS[number].watch) for number in BOARD_ROWS))
"""Watched quantities of a look, in the order of `BOARD_ROWS`."""
host_row_values = itemgetter(*(HOST_WATCHED.index(GUARDS[number].watch) for number in HOST_ROWS))
board_rows: Rows = itemgetter(*BOARD_ROWS)
host_rows = itemgetter(*HOST_ROWS)
withholding_rows = itemgetter(*WITHHOLDING)
ALL_CALM = (CALM,) * len(GUARDS)


def judge(
    rows: Sequence[int],
    values: Sequence[int],
    limits: Sequence[int],
    clears: Sequence[int],
    standing: tuple[Standing, ...],
    clock_us: int,
    active: bool,
) -> tuple[tuple[Standing, ...], list[Finding]]:
    """Guards of `rows` against their limits; `values`, `limits` and `clears` are in the order of `rows`.

    A value at the limit counts. UNKNOWN neither starts nor ends anything here: it withholds the permit at once, and the
    guard made for its cause trips.
    """
    if standing is ALL_CALM and all(map(lt, values, limits)):
        return standing, []
    changed = list(standing)
    findings: list[Finding] = []
    for row, value, limit, clear in zip(rows, values, limits, clears, strict=True):
        guard = GUARDS[row]
        before = standing[row]
        after = _judge_one(guard, before, value, clear if before.stands else limit, clock_us, active)
        if after is not before:
            changed[row] = after
            if after.stands != before.stands:
                findings.append(Finding(guard, after.stands, value, limit))
    result = tuple(changed)
    return (ALL_CALM if result == ALL_CALM else result), findings


def _judge_one(guard: Guard, before: Standing, value: int, limit: int, clock_us: int, active: bool) -> Standing:
    if guard.during is During.RUN and not active and not (before.stands and guard.clock is Clock.HOST):
        return CALM  # but a silent board that ended a run has not returned before it is heard
    if value == UNKNOWN:
        return before
    if value < limit:
        return CALM
    since_us = before.since_us if before.since_us >= 0 else clock_us
    stands = before.stands or clock_us - since_us >= guard.persist_us
    return before if (since_us, stands) == (before.since_us, before.stands) else Standing(since_us, stands)


def board_restarted(standing: tuple[Standing, ...]) -> tuple[Standing, ...]:
    """The board's clock began anew: persistence that counted it begins anew too; what stands goes on standing."""
    rows = set(BOARD_ROWS)
    return tuple(CALM if number in rows and not one.stands else one for number, one in enumerate(standing))


def permitted(
    values: Sequence[int], limits: Sequence[int], standing: tuple[Standing, ...], latches: Sequence[Latch]
) -> bool:
    """May anything heat? Only if nothing is latched, no withholding guard stands, and each of their values is known and
    below its limit in this very tick."""
    if latches:
        return False
    if standing is ALL_CALM and all(map(lt, values, limits)):
        return True
    if not all(map(lt, withholding_rows(values), withholding_rows(limits))):
        return False
    return standing is ALL_CALM or not any(standing[row].stands for row in WITHHOLDING)


class ContactView(NamedTuple):
    """One contact of the permit line: closed, or the guard that holds it open."""

    contact: Contact
    closed: bool
    guard: Guard | None
    known: bool


def contacts(
    values: Sequence[int], limits: Sequence[int], standing: Sequence[Standing], latches: Sequence[Latch], armed: bool
) -> tuple[ContactView, ...]:
    """The permit line as it is drawn, whether or not a run is on."""
    return tuple(_contact_view(contact, values, limits, standing, latches, armed) for contact in Contact)


def _contact_view(
    contact: Contact,
    values: Sequence[int],
    limits: Sequence[int],
    standing: Sequence[Standing],
    latches: Sequence[Latch],
    armed: bool,
) -> ContactView:
    for row in ROWS_OF[contact]:
        if standing[row].stands or not values[row] < limits[row]:
            return ContactView(contact, False, GUARDS[row], values[row] != UNKNOWN)
    if contact is Contact.NO_TRIP and latches:
        first = next((latch for latch in latches if latch.first_out), latches[0])
        return ContactView(contact, False, next(guard for guard in GUARDS if guard.id == first.guard), True)
    if contact is Contact.ARMED and not armed:
        return ContactView(contact, False, None, True)
    return ContactView(contact, True, None, True)
