"""A second computer: messenger and listener in network namespaces of their own, joined by one cable; the cable is cut."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator

import pytest

from controller.messenger import channels
from controller.messenger.channels import Beat, Channels
from tests.messenger.processes import Bench, until
from tests.messenger.stand_in import PAGE

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]
OVEN, ATTIC = f"soak-oven-{os.getpid()}", f"soak-attic-{os.getpid()}"
OVEN_AT, ATTIC_AT = "192.0.2.5", "192.0.2.9"  # addresses kept for examples (RFC 5737)
PORT = 8652


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


@pytest.fixture
def cable() -> Iterator[None]:
    """Two hosts and a cable between them; skipped where this user may not make them."""
    if not shutil.which("ip"):
        pytest.skip("the program ip is not installed")
    try:
        ip("netns", "add", OVEN)
    except subprocess.CalledProcessError as error:
        pytest.skip(f"no network namespaces here: {error.stderr.decode().strip()}")
    try:
        ip("netns", "add", ATTIC)
        ip("-n", OVEN, "link", "add", "cable", "type", "veth", "peer", "name", "cable", "netns", ATTIC)
        for host, address in ((OVEN, OVEN_AT), (ATTIC, ATTIC_AT)):
            ip("-n", host, "addr", "add", f"{address}/24", "dev", "cable")
            ip("-n", host, "link", "set", "cable", "up")
        yield
    except subprocess.CalledProcessError as error:
        pytest.skip(f"no cable between namespaces here: {error.stderr.decode().strip()}")
    finally:
        for host in (OVEN, ATTIC):
            subprocess.run(["ip", "netns", "del", host], check=False, capture_output=True)


def test_a_cut_cable_is_told_at_the_far_end_and_at_the_near_one(tmp_path, cable):
    with Bench(tmp_path / "d") as bench:
        attic = bench.listener(tmp_path / "l", ATTIC_AT, PORT, inside=("ip", "netns", "exec", ATTIC))
        channels.save(bench.folder, Channels(PAGE, (), (Beat(2, "attic computer", f"http://{ATTIC_AT}:{PORT}/", attic.key),)))
        bench.rig.clock.speed = 60.0  # the short run has to last
        bench.messenger(haste=True, inside=("ip", "netns", "exec", OVEN))
        bench.run()
        until(lambda: bench.status()["beats"][0]["state"] == "working")
        assert attic.alarms() == []
        ip("-n", ATTIC, "link", "set", "cable", "down")
        until(lambda: any("No sign of life" in one for one in attic.alarms()))
        until(lambda: "Receiver attic computer fails: " in bench.status()["failing"])
