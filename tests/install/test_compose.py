"""The three containers of the demo: by the published schema where a checker is installed, by their own sense always."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from controller.doctor.alive import main as alive
from controller.exit_codes import Exit
from tests.service.rig import Rig
from tests.tidy.measure import ROOT

COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
SERVICES = COMPOSE["services"]
CHECKERS = {"check-jsonschema": ["--builtin-schema", "vendor.compose-spec", "docker-compose.yml"],
            "docker-compose": ["config", "-q"]}
BESIDE = f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}"
FOUND = {name: path for name in CHECKERS if (path := shutil.which(name, path=BESIDE))}


@pytest.mark.skipif(not FOUND, reason=f"none of these is installed: {', '.join(CHECKERS)}")
@pytest.mark.slow
def test_the_compose_file_is_one():
    for name, path in FOUND.items():
        done = subprocess.run([path, *CHECKERS[name]], cwd=ROOT, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr


def test_there_are_controller_api_and_messenger_from_one_image():
    assert set(SERVICES) == {"controller", "api", "messenger"}
    assert {service["image"] for service in SERVICES.values()} == {"soakwarden-demo"}


@pytest.mark.parametrize("name", SERVICES)
def test_no_container_has_more_than_it_needs(name):
    service = SERVICES[name]
    assert service["read_only"] is True and service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["volumes"] == ["demo:/data"] and "privileged" not in service and "devices" not in service


def test_the_controller_has_no_network_and_nobody_publishes_a_port():
    assert SERVICES["controller"]["network_mode"] == "none"
    assert not [name for name, service in SERVICES.items() if "ports" in service]


def test_the_honest_note_stands_on_top():
    head = (ROOT / "docker-compose.yml").read_text().split("name:")[0].replace("\n#", "")
    assert "real chamber prefers the service units" in head and "does not see a board" in head


def test_commands_know_their_options():
    from api.__main__ import arguments
    from controller.start_up import parser

    assert arguments(SERVICES["api"]["command"][3:]).demo
    line = re.search(r"controller\.service (.*)", SERVICES["controller"]["command"][2])[1]
    assert parser().parse_args(line.replace('"', "").split()).lock_step


def test_health_checks_ask_what_they_check(tmp_path):
    rig = Rig(tmp_path)
    rig.steps(2)
    assert alive([str(rig.socket_path), "health"]) == Exit.GOOD
    rig.close()
    assert alive([str(rig.socket_path), "health"]) == Exit.PEER and alive([]) == Exit.USAGE
    for name in ("controller", "messenger"):
        assert SERVICES[name]["healthcheck"]["test"][:4] == ["CMD", "python", "-m", "controller.doctor.alive"]
