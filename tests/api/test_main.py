"""`python -m api`: loopback unless more is asked for, one line, clear refusals, a normal end."""

from __future__ import annotations

import asyncio
import re
import signal
import socket
from pathlib import Path

import pytest

from api.__main__ import arguments, main
from api.listening import STUCK_MS, listen
from tests.api.server import Server


def test_it_prints_one_line_serves_the_page_and_ends_normally(tmp_path: Path) -> None:
    with Server(tmp_path, "--demo") as server:
        page = server.client.get(f"http://127.0.0.1:{server.port}/")
        assert page.status_code in (200, 404), "404 until there is a page"
        assert len(server.client.get("/schedules").json()["schedules"]) == 3
        assert server.health()["controller"]["away"]
        again = Server(tmp_path)
        with pytest.raises(AssertionError, match="another api already works on"):
            again.__enter__()
        again.process.wait(5)
        for pipe in (again.process.stdout, again.process.stderr):
            assert pipe is not None
            pipe.close()
        assert again.process.returncode == 2
        assert server.end(signal.SIGTERM) == -signal.SIGTERM
        assert server.process.stdout is not None and server.process.stderr is not None
        assert (server.process.stdout.read(), server.process.stderr.read()) == ("", "")


@pytest.mark.parametrize("address", ["localhost.example.org", "localhost", "127.0.0.1", "::1", "192.0.2"])
def test_what_is_no_address_to_listen_on_is_refused_in_one_line(address: str, tmp_path: Path,
                                                                capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--data", str(tmp_path / "d"), "--http", "0", "--address", address, "--outside-port", "8680"]
    assert main(words) == 2
    told = capsys.readouterr()
    assert told.out == "" and re.fullmatch(r"cannot start: --address is .*\n", told.err)
    assert not (tmp_path / "d").exists()


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
def test_every_connection_sends_at_once_and_gives_up_a_peer_that_takes_nothing(address: str) -> None:
    """Nagle's delay cost 40 ms on every answer, "Stop heating" among them."""

    async def options() -> tuple[int, int]:
        accepted = asyncio.get_running_loop().create_future()
        listening = listen(address, 0)
        async with await asyncio.start_server(lambda _, writer: accepted.set_result(writer), sock=listening):
            _, client = await asyncio.open_connection(address, listening.getsockname()[1])
            writer = await accepted
            found = writer.get_extra_info("socket")
            seen = (found.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY),
                    found.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT))
            for one in (client, writer):
                one.close()
                await one.wait_closed()
            return seen

    assert asyncio.run(options()) == (1, STUCK_MS)


def test_a_port_that_is_taken_is_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(["--data", str(tmp_path), "--http", str(port)]) == 2
    assert re.fullmatch(rf"cannot start: port {port} on 127\.0\.0\.1 .*choose another with --http\n", capsys.readouterr().err)


def test_a_port_out_of_range_is_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--data", str(tmp_path), "--http", "70000"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_data_folder_that_cannot_be_made_is_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    assert main(["--data", str(tmp_path / "file" / "data"), "--http", "0"]) == 2
    assert capsys.readouterr().err.startswith("cannot start: ")


def test_real_and_demo_exclude_each_other(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        arguments(["--data", "x", "--http", "1", "--real", "--demo"])
