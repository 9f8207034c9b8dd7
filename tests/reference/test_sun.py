"""The command `sun`: no card with a tube open, the whole card else, the Sun as astropy has it."""

import json

import pytest
from support import RIG, needs_command, run

pytestmark = needs_command


@pytest.mark.parametrize("change, message", [
    ("setups.solar.capped=[main tube]", "guide tube is neither capped"),
    ("setups.solar.sun_filter=[guide tube]", "main tube is neither capped"),
    ("setups.solar.sun_filter=[main tube, mini PC]", "1 of 2 names in sun_filter are tubes"),
])
def test_no_card_with_a_tube_open(change, message):
    done = run("sun", RIG, "--set", change)
    assert done.returncode != 0 and done.stdout == "" and message in done.stderr


def test_the_card_has_every_line_and_fits_the_paper():
    done = run("sun", RIG, "--at", "2026-06-13T20:00:00Z")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    text = " ".join(done.stdout.split())
    for words in ("main tube: FRONT FILTER on", "guide tube: CAP on", "inspected by day",
                  "light panel: motor unplugged", "no automation", "STAY AWAY", "every finder"):
        assert words in text


def test_the_sun_as_astropy_places_it():
    coordinates = pytest.importorskip("astropy.coordinates")
    from astropy import units
    from astropy.time import Time
    from astropy.utils import iers

    iers.conf.auto_download = False
    iers.conf.auto_max_age = None
    rows = json.loads(run("sun", RIG, "--at", "2021-06-13T20:00:00Z", "--json").stdout)["sun"]
    place = coordinates.EarthLocation(lat=-32.18 * units.deg, lon=146.52 * units.deg,
                                      height=437 * units.m)
    assert len(rows) == 13
    for row in rows:
        time = Time(row["time"].rstrip("Z"), scale="utc")
        sun = coordinates.get_sun(time).transform_to(
            coordinates.AltAz(obstime=time, location=place))
        assert row["altitude_deg"] == pytest.approx(sun.alt.deg, abs=25 / 3600)
        assert row["tube_side"] == ("east" if row["ha_deg"] > 0 else "west")
