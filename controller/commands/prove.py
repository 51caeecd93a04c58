"""`soakwarden prove` shows which steps of commissioning hold; with a step it guides through it at the terminal. A client of the
running controller's socket, which it finds where `serve --chamber` puts it; a list needs only the folder. Nothing is ever
measured on live mains.
"""

from __future__ import annotations

import argparse
import asyncio
import shlex
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from controller.client import Client, ControllerError, Refused, Unreachable
from controller.commands.out import Out
from controller.commands.prove_list import command, data_of, listed, offline, where
from controller.commands.serve import DATA_REAL
from controller.commissioning.step import Way
from controller.commissioning.steps import BY_ID
from controller.commissioning.survey import FIVE, NINE
from controller.config import BadChamber, ChamberFolder, load
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.start_up import SOCKET_FILE

POLL_S = 0.5
BY = "local, not signed in"
ANSWERS = {"y": "yes", "yes": "yes", "n": "no", "no": "no"}
HALVES = {"seen": "Its run was seen; only its values are still asked for.",
          "typed": "Its values are stored; only what is to be seen still lacks."}
TRIED_MAX = 20
"""So often a value is asked for before the terminal gives up."""
OVER = ("complete", "stopped", "aborted")
Json = dict[str, Any]
Ask = Callable[[str], str]


class Session(NamedTuple):
    """One step at one terminal."""

    client: Client
    out: Out
    ask: Ask
    step: Json
    given: dict[str, str]
    by: str
    command: str
    """How this step is asked for at this terminal."""

    async def prove(self, act: str, **fields: Any) -> Json:
        return await self.client.ask("prove", act=act, step=self.step["id"], by=self.by, role="maintainer", **fields)


class GaveUp(Exception):
    """Nobody answers, or not with what is asked for."""


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("prove", help="commission a chamber: what holds, what is next, one step at a time",
                            description=__doc__)
    made.add_argument("step", nargs="?", choices=tuple(BY_ID), metavar="STEP", help="one of " + ", ".join(BY_ID))
    made.add_argument("--chamber", type=Path, help="chamber folder, as serve has it")
    made.add_argument("--data", type=Path, help=f"data folder of the running controller (default with --chamber: {DATA_REAL}, "
                                                "as serve has it)")
    made.add_argument("--sensor", default="", help="id of one sensor; default: every one that lacks")
    made.add_argument("--spot", default="", choices=("", *(spot.id for spot in NINE)), metavar="SPOT",
                      help="place of a survey; default: the first of five that lacks")
    made.add_argument("--value", action="append", default=[], metavar="KEY=VALUE", help="a value, so that it is not asked for")
    made.add_argument("--by", default=BY, help="who does it")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out, ask: Ask = input) -> int:
    """List, or guide through one step."""
    if options.chamber is None and options.data is None:
        out.refuse("Say which chamber: --chamber FOLDER, as serve has it, or --data and its data folder.")
        return Exit.USAGE
    try:
        folder = load(options.chamber, utc_us()) if options.chamber is not None else None
        return asyncio.run(_asked(options, folder, out, ask))
    except BadChamber as error:
        out.refuse(error.told, mistakes=[mistake._asdict() for mistake in error.mistakes])
        return error.code
    except Unreachable as error:
        serve = shlex.join(["soakwarden", "serve", *(where(options) if options.chamber else ["--chamber", "FOLDER",
                                                                                              *where(options)])])
        out.refuse(f"{str(error)[0].upper()}{str(error)[1:]}. Start it first: {serve}")
        return Exit.PEER
    except Refused as error:
        out.refuse(error.reason, code=error.code, mistakes=error.mistakes)
        return Exit.NOT_PROVEN
    except ControllerError as error:
        out.refuse(f"{error}. Restart both parts from the same version.")
        return Exit.PEER
    except GaveUp as error:
        out.refuse(f"{error} Nothing was stored for what was not asked to the end.")
        return Exit.NOT_PROVEN


async def _asked(options: argparse.Namespace, folder: ChamberFolder | None, out: Out, ask: Ask) -> int:
    """Ask the running controller; where none of this chamber runs, its folder alone can still be listed."""
    data = data_of(options)
    client = Client(data / SOCKET_FILE)
    try:
        told = (await client.ask("proofs"))["proofs"]
    except Unreachable:
        if folder is None or options.data is not None or options.step is not None:
            raise
        return listed(offline(folder), where(options), out)
    if folder is not None and told["board"] != folder.chamber.board:
        if options.step is None and options.data is None:
            return listed(offline(folder), where(options), out)
        out.refuse(f"The controller of {data} has board {told['board']}, this chamber has {folder.chamber.board}. Start this "
                   "one's, or name its data folder with --data.")
        return Exit.PEER
    if options.step is None:
        return listed(told, where(options), out)
    return await _step(options, client, told, out, ask)


async def _step(options: argparse.Namespace, client: Client, told: Json, out: Out, ask: Ask) -> int:
    step = next(one for one in told["steps"] if one["id"] == options.step)
    given = dict(pair.split("=", 1) for pair in options.value if "=" in pair)
    session = Session(client, out, ask, step, given, options.by, command(step["id"], where(options)))
    if not out.as_json:
        out.say(f"{step['title']} ({step['minutes']} min). {step['why']}")
        for number, words in enumerate(step["do"], 1):
            out.say(f"  {number}. {words}")
        if step["caution"]:
            out.say(f"CAUTION: {step['caution']}")
        if HALVES.get(step["half"]):
            out.say(HALVES[step["half"]])
    outcome = await WAYS[step["way"]](session, options)
    return Exit.GOOD if outcome["outcome"] == "passed" else Exit.NOT_PROVEN


def _told(session: Session, outcome: Json) -> Json:
    session.out.bar_done()
    session.out.result({"step": session.step["id"], **outcome}, f"{outcome['outcome'].upper()}: {outcome['words']}")
    return outcome


def _sensors(session: Session, wanted: str) -> list[str]:
    """Which sensors are to be shown: the one that was named, else all that lack."""
    lacking = [row["sensor"] for row in session.step["each"] if row.get("sensor") and row["state"] not in ("done", "ending")]
    return [wanted] if wanted else lacking or [row["sensor"] for row in session.step["each"] if row.get("sensor")]


async def _typed(session: Session, options: argparse.Namespace) -> Json:
    if not session.step["fields"]:
        return _told(session, await session.prove("type", values=_arrived(session)))
    outcome: Json = {}
    for sensor in _sensors(session, options.sensor) or [""]:
        if sensor:
            session.out.say(f"Sensor {sensor}:")
        outcome = _told(session, await _values(session, sensor))
        if outcome["outcome"] != "passed":
            break
    return outcome


def _arrived(session: Session) -> Json:
    """Where messages are tested the page knows when one arrived; here a person says so."""
    channel = session.given.get("channel") or _answer(session, "By which channel did a test message arrive just now? ")
    pressed = session.given.get("arrived") or _yes(session, "Was the button in it pressed (y/n)? ")
    return {"arrived_age_us": 0 if pressed == "yes" else -1, "channel": channel}


async def _values(session: Session, sensor: str = "") -> Json:
    """Ask for every field, send them; what is out of range is asked for once more, and then stored as what it is."""
    values = {field["key"]: _value(session, field) for field in session.step["fields"]}
    outcome = await session.prove("type", sensor=sensor, values=values)
    if outcome["outcome"] != "again":
        return outcome
    for row in outcome["wrong"]:
        session.out.say(f"  {row['field']}: {row['value']}; allowed is {row['allowed']}. {row['advice']}", **row)
    again = {row["field"] for row in outcome["wrong"]}
    for field in session.step["fields"]:
        if field["key"] in again and field["key"] not in session.given:
            values[field["key"]] = _value(session, field)
    return await session.prove("type", sensor=sensor, values=values, sure=True)


def _value(session: Session, field: Json) -> Any:
    """One value, from the options or the terminal, as number or choice; what is none is asked for again."""
    choices = field["choices"]
    unit = f" ({'/'.join(choices)})" if choices else f" ({field['unit']}, {field['low']:g} to {field['high']:g})"
    for _ in range(TRIED_MAX):
        said = session.given.get(field["key"]) or _answer(session, f"{field['ask']}{unit}: ")
        if choices:
            value: Any = ANSWERS.get(said.lower(), said) if set(choices) == set(ANSWERS.values()) else said
            if value in choices:
                return value
        else:
            try:
                return float(said.replace(",", "."))
            except ValueError:
                pass
        session.out.say(f"{said or 'Nothing'} is no answer to that.")
        session.given.pop(field["key"], None)
    raise GaveUp("No value was given that could be one.")


def _answer(session: Session, question: str) -> str:
    try:
        return session.ask(question).strip()
    except EOFError:
        raise GaveUp("There is nobody to ask; give values with --value KEY=VALUE.") from None


def _yes(session: Session, question: str) -> str:
    for _ in range(TRIED_MAX):
        said = ANSWERS.get(_answer(session, question).lower())
        if said:
            return said
    raise GaveUp("Neither yes nor no was said.")


async def _watched(session: Session, options: argparse.Namespace) -> Json:
    if session.step["fields"]:
        outcome = await _values(session)
        if outcome["outcome"] != "watching":
            return _told(session, outcome)
    one_by_one = session.step["id"] == "sensor_identity"
    outcome = {}
    for sensor in _sensors(session, options.sensor) if one_by_one else [options.sensor]:
        await session.prove("begin", sensor=sensor)
        outcome = _told(session, await _followed(session, partial(_goes_on, session.step["id"])))
        if outcome["outcome"] != "passed":
            break
    return outcome


def _goes_on(step: str, now: Json) -> bool:
    doing = now["commissioning"]
    return bool(doing) and doing["step"] == step and not doing["outcome"]


async def _followed(session: Session, goes_on: Callable[[Json], bool]) -> Json:
    """Show the live list until it has ended; rows that ask are asked. Broken off by the keyboard it is cancelled."""
    shown: dict[str, str] = {}
    try:
        while True:
            now = await session.client.now()
            doing = now["commissioning"]
            if not goes_on(now):
                return _ending(session, doing)
            for row in doing["list"]:
                if shown.get(row["id"]) != row["state"]:
                    shown[row["id"]] = row["state"]
                    session.out.bar_done()
                    session.out.say(f"  [{'x' if row['state'] == 'seen' else ' '}] {row['words']}", **row)
                if row["state"] == "asks":
                    yes = session.given.get(row["id"]) or _yes(session, f"{row['words']} (y/n) ")
                    await session.prove("confirm", values={"seen": row["id"], "yes": yes == "yes"})
            session.out.bar(doing["share"] or 0.0, " ".join(f"{row['label']} {_c(row['mc'])}" for row in doing["seen"]))
            await asyncio.sleep(POLL_S)
    except (KeyboardInterrupt, asyncio.CancelledError):
        await session.prove("cancel")
        raise


def _ending(session: Session, doing: Json | None) -> Json:
    if doing is None or doing["step"] != session.step["id"]:
        return {"outcome": "ended", "words": "It has ended; what came of it stands in the list.", "wrong": []}
    return {"outcome": doing["outcome"], "words": doing["words"], "wrong": []}


def _c(mc: int | None) -> str:
    return "no reading" if mc is None else f"{mc / 1000:.1f} °C"


async def _heated(session: Session, options: argparse.Namespace) -> Json:
    """A run that is followed, and where the step has fields the values to it: before, while it goes on, or after."""
    step, fields, half = session.step["id"], session.step["fields"], session.step["half"]
    if half == "seen":
        return _told(session, await _values(session))
    if _own(await session.client.now(), step):
        return await _meanwhile(session)
    if step == "limiter" and half != "typed" and _value(session, fields[0]) == "fixed":
        session.given["kind"] = "fixed"
        await session.prove("begin")
        seen = await _followed(session, partial(_goes_on, step))
    else:
        seen = await _run(session, _spot(session, options))
    if not fields or seen["outcome"] != "passed" or not await _lacks_values(session):
        return _told(session, seen)
    session.out.bar_done()
    session.out.say(seen["words"])
    return _told(session, await _values(session))


def _own(now: Json, step: str) -> str:
    """The id of this step's run that is on or waits for its button; empty for none."""
    pending, run = now["pending"], now["run"]
    if pending is not None:
        return str(pending["run_id"]) if pending["trial"] == step else ""
    return str(run["id"]) if run is not None and run["trial"] == step and run["state"] not in OVER else ""


async def _meanwhile(session: Session) -> Json:
    """Its run is on already, begun elsewhere: what can be typed is asked for now, and then the run is followed."""
    if session.step["fields"] and session.step["half"] != "typed":
        session.out.say("Its run is on. Its values can be given now; they are kept until it is over.")
        outcome = await _values(session)
        if outcome["outcome"] != "watching":
            return _told(session, outcome)
        session.out.say(outcome["words"])
    run_id = _own(await session.client.now(), session.step["id"])
    return _told(session, await _run_followed(session, run_id) if run_id else _ending(session, None))


async def _lacks_values(session: Session) -> bool:
    """They may have been typed meanwhile, at the page or another terminal; then the step is proven already."""
    told = (await session.client.ask("proofs"))["proofs"]
    step = next(one for one in told["steps"] if one["id"] == session.step["id"])
    return bool(step["half"] == "seen")


def _spot(session: Session, options: argparse.Namespace) -> str:
    if session.step["id"] != "survey" or options.spot:
        return str(options.spot)
    taken = {row["spot"] for row in session.step["each"] if row["state"] in ("done", "ending")}
    spot = next((one for one in FIVE if one.id not in taken), FIVE[0])
    session.out.say(f"Hang the travelling sensor {spot.words}.", spot=spot.id)
    return spot.id


async def _run(session: Session, spot: str) -> Json:
    """Start the heated step, ask for the arm button, follow it to its end."""
    step = session.step["id"]
    answer = await session.client.command({"ask": "start", "by": session.by, "role": "maintainer", "ref": f"prove {step}",
                                           "level": "at_the_chamber", "trial": step, "name": spot})
    session.out.say(f"Stay beside it. It {answer['detail']}.", **answer)
    if session.step["fields"] and session.step["half"] != "typed":
        session.out.say(f"Its values can be given when it is over, or meanwhile at another terminal: {session.command}")
    return await _run_followed(session, answer["run_id"])


async def _run_followed(session: Session, run_id: str) -> Json:
    """Until what it was for is seen, or it is over."""
    step, words = session.step["id"], ""
    while True:
        now = await session.client.now()
        pending, run, doing = now["pending"], now["run"], now["commissioning"]
        if doing is not None and doing["step"] == step and doing["outcome"] and pending is None:
            return _ending(session, doing)
        if pending is None and (run is None or run["id"] != run_id):
            lapsed = (now["lapsed"] or {}).get("reason", "It did not begin.")
            return {"outcome": "ended", "words": lapsed, "wrong": []}
        said = now["sentence"] if pending is not None or run["proof"] is None else run["proof"]["words"]
        if said != words and not session.out.as_json:
            words = said
            session.out.bar_done()
            session.out.say(f"  {words}")
        share = run["proof"]["share"] if run is not None and run["proof"] else 0.0
        session.out.bar(share, f"air {_c(now['air_mc'])}")
        await asyncio.sleep(POLL_S)


WAYS = {Way.TYPED.value: _typed, Way.WATCHED.value: _watched, Way.HEATED.value: _heated}
