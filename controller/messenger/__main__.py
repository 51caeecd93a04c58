"""`python -m controller.messenger --desk D --data A --data B`: tell people about the chambers whose data folders are A and B.

Exit codes as everywhere: 0 asked to end, 2 the command line, 4 another messenger has this desk, 6 a folder cannot be used.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from controller.drivers.clocks import mono_us
from controller.drivers.locks import Taken, lock_folder
from controller.drivers.notify import Notifier
from controller.exit_codes import Exit
from controller.messenger.desk import LOOP_S, Desk
from controller.messenger.door import SOCKET_FILE, Door
from controller.messenger.sending import Sending

LOCK_FILE = "messenger.lock"


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    made = argparse.ArgumentParser(prog="python -m controller.messenger", description="Tells people what happens.")
    made.add_argument("--data", type=Path, required=True, action="append", metavar="FOLDER",
                      help="folder of controller.sock; once for each chamber")
    made.add_argument("--desk", type=Path, metavar="FOLDER", help="folder of channels.json (default: the first --data)")
    return made.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    """Run until SIGTERM or SIGINT."""
    options = arguments(argv)
    folder = options.desk or options.data[0]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = lock_folder(folder, LOCK_FILE)
    except Taken as error:
        return _refuse(f"another messenger is at work: {error}", Exit.TAKEN)
    except OSError as error:
        return _refuse(f"{folder}: {error.strerror}; name a folder that this user may write, with --desk", Exit.FILES)
    try:
        asyncio.run(_work(folder, {data.name or "chamber": data / "controller.sock" for data in options.data}))
    except OSError as error:
        return _refuse(f"{folder}: {error}", Exit.FILES)
    finally:
        lock.close()
    return Exit.GOOD


async def _work(folder: Path, chambers: dict[str, Path]) -> None:
    notifier = Notifier()
    desk = Desk(folder, chambers, Sending())
    door = Door(folder / SOCKET_FILE, desk, _version())
    await door.open()
    ending = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ending.set)
    tasks = [loop.create_task(work) for at in chambers for work in (desk.follow(at), desk.tell(at))]
    notifier.ready(f"telling of {', '.join(chambers)}")
    try:
        while not ending.is_set():
            desk.turn()
            broken = [task for task in tasks if task.done()]
            for task in broken:
                task.result()  # raises what ended it: a messenger that lost a part must not look well
            notifier.ping(mono_us())
            await _soon(ending)
    finally:
        notifier.stopping("asked to end")
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await desk.close()
        await door.close()


async def _soon(ending: asyncio.Event) -> None:
    try:
        async with asyncio.timeout(LOOP_S):
            await ending.wait()
    except TimeoutError:
        return


def _version() -> str:
    try:
        return version("soakwarden")
    except PackageNotFoundError:
        return "checkout"


def _refuse(reason: str, code: Exit) -> int:
    sys.stderr.write(f"cannot start: {reason}\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
