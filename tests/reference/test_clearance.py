"""The command `clearance`: ranges, slews, horizon and drawing of small rigs with known answers.

Reference: simple geometry written out beside each check (a wall, a plane, hour angles by spherical
trigonometry, REFERENCES MEC-02).
"""

import math
import xml.etree.ElementTree

import pytest
from support import RIG, answer, good, needs_command, run

pytestmark = needs_command

SMALL = """nightwright: 1
site: {latitude: LATITUDE deg, longitude: 0 deg, roof_time: 30 s, warning_time: 60 s,
       reaction_time: 20 s}
mount: {slew_rate: 2 deg/s}
telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}
cameras: {camera: {pixel: 3.76 um, width: 6248, height: 4176}}
bodies:
  tube: {rides: tube, shape: tube, along: x, mass: 5 kg, z: 250 mm, length: 900 mm,
         diameter: 100 mm}
  pier: {rides: ground, shape: cylinder, along: z, z: -1000 mm, length: 1200 mm, diameter: 200 mm}
setups: {one: {telescope: tube, camera: camera}}
"""


def rig(tmp_path, latitude):
    path = tmp_path / f"rig{latitude}.yaml"
    path.write_text(SMALL.replace("LATITUDE", str(latitude)))
    return path


def limit(result, dec, side):
    return next(x for x in result["limits"] if x["dec_deg"] == dec and x["tube_side"] == side)


def test_ranges_mirror_between_sides_and_between_hemispheres(tmp_path):
    north = answer("clearance", rig(tmp_path, 40))
    south = answer("clearance", rig(tmp_path, -40))
    assert len(north["limits"]) > 100
    contacts = 0
    for entry in north["limits"]:
        other = limit(north, entry["dec_deg"], "west" if entry["tube_side"] == "east" else "east")
        assert entry["ha_min_deg"] == pytest.approx(-other["ha_max_deg"], abs=0.05)
        mirrored = limit(south, -entry["dec_deg"], entry["tube_side"])
        assert entry["ha_min_deg"] == pytest.approx(mirrored["ha_min_deg"], abs=0.05)
        contacts += entry["min_end"] == "contact"
    assert contacts > 20  # the tube meets the pier when it goes on past the meridian


def test_setting_ends_the_range(tmp_path):
    """cos H = (sin a - sin phi sin dec) / (cos phi cos dec)"""
    result = answer("clearance", rig(tmp_path, 40), "--min-altitude", "10")
    entry = limit(result, 10, "east")
    phi, dec, alt = map(math.radians, (40, 10, 10))
    want = math.degrees(math.acos((math.sin(alt) - math.sin(phi) * math.sin(dec)) /
                                  (math.cos(phi) * math.cos(dec))))
    assert entry["max_end"] == "horizon"
    assert entry["ha_max_deg"] == pytest.approx(want, abs=0.01)


def test_time_to_safe_of_the_farthest_attitude(tmp_path):
    """Park: weights down, tube at the pole. From the meridian with the shaft level the polar axis
    turns 90 deg; reachable attitudes past it add to that, at 2 deg/s."""
    safe = answer("clearance", rig(tmp_path, 40))["time_to_safe"]
    assert 45 <= safe["slew_max_s"] <= 140
    assert safe["total_max_s"] == pytest.approx(50 + safe["slew_max_s"], abs=0.1)
    assert safe["in_time_probability_least"] < 0.05 and safe["attitudes_blocked"] == 0
    assert (safe["reaction_s"], safe["roof_s"], safe["warning_s"]) == (20, 30, 60)
    text = run("clearance", rig(tmp_path, 40)).stdout
    assert "In time with a probability of" in text and "TIME TO SAFE" in text


def test_slew_over_the_meridian_and_through_the_pier(tmp_path):
    path = rig(tmp_path, 40)
    free = answer("clearance", path, "--from", "60,150", "--to", "60,210")["slew"]
    assert free["contact_free"] and free["minimum_mm"] > 0
    # the same places with the tube on the wrong side, far past the meridian
    bad = answer("clearance", path, "--from", "10,120,east", "--to", "60,210,east")["slew"]
    assert not bad["contact_free"] or bad["minimum_mm"] < free["minimum_mm"]


def test_a_wall_hides_the_horizon(tmp_path):
    path = rig(tmp_path, 40)
    wall = "bodies.wall={rides: ground, shape: box, x: 3050 mm, z: -1000 mm, length: 100 mm, " \
           "width: 40 m, height: 4 m}"
    points = answer("clearance", path, "--set", wall)["horizon"][0]["points"]
    east = next(p for p in points if p["azimuth_deg"] == 90)
    west = next(p for p in points if p["azimuth_deg"] == 270)
    # top edge 1 m up, near face 3 m east; the tube is 0.25 m off the axes, so within that angle
    assert east["half_above_deg"] == pytest.approx(math.degrees(math.atan2(1, 3)), abs=5)
    assert east["whole_above_deg"] > east["half_above_deg"]
    assert west["whole_above_deg"] == 0


def test_the_drawing_is_whole_and_says_what_is_nearest(tmp_path):
    chart = tmp_path / "chart.svg"
    done = run("clearance", RIG, "--chart", chart)
    assert done.returncode == 0, done.stderr
    for side in ("east", "west"):
        root = xml.etree.ElementTree.parse(tmp_path / f"chart-{side}.svg").getroot()
        words = " ".join("".join(t.itertext()) for t in root.iter() if t.tag.endswith("text"))
        for word in (f"tube {side} of the pier", "contact", "from the south", "plan, north up",
                     "from the east", "nearest approach within reach", "200", "mm, 1 : "):
            assert word in words
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "does not replace" in " ".join(done.stdout.split())


def test_refusals(tmp_path):
    path = rig(tmp_path, 40)
    for args, message in [((path, "--from", "45,120"), "--from and --to belong together"),
                          ((path, "--from", "95,0", "--to", "1,1"), "--from is '95,0'"),
                          ((path, "--from", "45,0,north", "--to", "1,1"), "side of the tube"),
                          ((path, "--setup", "x"), "no setup 'x'")]:
        done = run("clearance", *args)
        assert done.returncode == 2 and done.stdout == "" and message in done.stderr
    done = run("clearance", path, "--set", "setups.one.without=[pier]")
    assert done.returncode == 1 and "no two outlines" in done.stderr
    missing = tmp_path / "no" / "chart.svg"
    done = run("clearance", path, "--chart", missing)
    assert done.returncode == 2 and done.stdout == "" and not missing.exists()


def test_the_sun_as_astropy_places_it(tmp_path):
    """Altitude against astropy (get_sun, AltAz without air); the slew that ends on the Sun."""
    coordinates = pytest.importorskip("astropy.coordinates")
    from astropy import units
    from astropy.time import Time
    from astropy.utils import iers

    iers.conf.auto_download = False
    iers.conf.auto_max_age = None
    path = rig(tmp_path, 40)
    place = coordinates.EarthLocation(lat=40 * units.deg, lon=0 * units.deg, height=200 * units.m)
    for when in ("2021-03-20T12:00:00", "2021-06-21T08:30:00", "2021-12-05T14:00:00"):
        time = Time(when, scale="utc")
        sun = coordinates.get_sun(time).transform_to(
            coordinates.AltAz(obstime=time, location=place))
        spot = f"{sun.alt.deg:.4f},{sun.az.deg:.4f}"
        slew = answer("clearance", path, "--from", "80,180", "--to", spot,
                      "--at", when + "Z")["slew"]
        assert slew["sun_altitude_deg"] == pytest.approx(sun.alt.deg, abs=25 / 3600)
        assert slew["sun_separation_min_deg"] == 0
    text = " ".join(good("clearance", path, "--from", "80,180", "--to", spot,
                         "--at", when + "Z").split())
    assert "cap it before this slew" in text and "Cap every tube and finder" in text
    night = answer("clearance", path, "--from", "80,180", "--to", "50,90",
                   "--at", "2021-06-21T00:00:00Z")
    assert night["slew"]["sun_altitude_deg"] < 0
    done = run("clearance", path, "--from", "80,180", "--to", "50,90", "--at", "noon")
    assert done.returncode == 2 and "noon" in done.stderr
