"""A sensor that travels in a simulated chamber, and tips that are taken out of it: into a hand, ice, boiling water."""

from __future__ import annotations

import pytest

from controller.chamber.travelling import PLACES
from controller.commissioning.survey import NINE
from tests.chamber.board_host import S1, Host


@pytest.fixture
def host():
    return Host().open()


def mean_c(host: Host, channel: int, seconds: int = 60) -> float:
    values = []
    for _ in range(seconds):
        host.run(S1)
        values.append(host.last().channels[channel].value_mc)
    return sum(values) / len(values) / 1000


def test_a_board_has_three_channels_until_a_sensor_travels(host):
    host.run(S1)
    assert host.last().channels[3:] == (None, None, None)
    host.board.fault("travelling_at")
    host.run(S1)
    assert host.last().channels[3].value_mc == pytest.approx(21_000, abs=1_000)
    assert host.last().channels[4:] == (None, None)
    host.board.fault("sensor_open", channel=3)
    host.run(S1)
    assert host.last().channels[3].fault and not host.board.sensor_bad, "the board's own sensors are two others"
    with pytest.raises(ValueError, match="this board has 0 to 3"):
        host.board.fault("sensor_open", channel=4)


def test_every_place_of_the_survey_is_there_and_a_strange_one_is_refused(host):
    assert set(PLACES) == {spot.id for spot in NINE} and len(set(PLACES.values())) == len(NINE)
    with pytest.raises(ValueError, match="spot is 'cellar'; there are centre, "):
        host.board.fault("travelling_at", spot="cellar")


def test_it_is_warmer_above_at_the_back_and_cooler_below_at_the_door(host):
    host.board.plant = host.board.plant._replace(sensors=(101.0, 100.0), air=101.0, wall=101.0, late=(101.0,) * 7)
    seen = {}
    for spot in ("centre", "upper_back_left", "lower_front_right"):
        host.board.fault("travelling_at", spot=spot)
        host.run(S1)
        now = host.last().channels
        seen[spot] = (now[3].value_mc - now[0].value_mc) / 1000
    assert seen["lower_front_right"] < seen["centre"] - 0.8 and seen["upper_back_left"] > seen["centre"] + 0.5
    assert abs(seen["centre"]) < 1.0


@pytest.mark.parametrize(("kind", "more", "there_c"), [
    ("in_hand", {}, 33.0), ("in_ice", {}, 0.1), ("in_boil", {}, 99.97 + 0.43), ("in_boil", {"hpa": 701.08}, 90.0 + 0.43)])
def test_a_tip_comes_to_where_it_is_put_and_back(host, kind, more, there_c):
    """Water boils at 99.97 °C at 1013.25 hPa and at 90 °C at 701.08 hPa (steam tables, IAPWS-IF97; from memory); the sensor
    shows 0.1 °C too much in ice and 0.43 °C in boiling water (invented)."""
    host.run(5 * S1)
    host.board.fault("sensor_sees", channel=0, kind=kind, **more)
    host.run(S1)
    first_c = host.last().channels[0].value_mc / 1000
    assert abs(first_c - there_c) > 0.3 * abs(21.0 - there_c), "it takes its time"
    host.run(60 * S1)
    assert mean_c(host, 0) == pytest.approx(there_c, abs=0.15)
    host.board.fault("sensor_sees", channel=0, on=False)
    host.run(S1)
    assert host.last().channels[0].value_mc == pytest.approx(21_000, abs=1_000)


def test_water_does_not_boil_at_a_pressure_that_is_none(host):
    with pytest.raises(ValueError, match="hpa is 9000; allowed is 500 to 1080"):
        host.board.fault("sensor_sees", channel=0, kind="in_boil", hpa=9000)
