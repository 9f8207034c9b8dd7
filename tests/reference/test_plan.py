"""The plan and the season as commands: against astropy, in JSON, with bad input.

Environment: NIGHTWRIGHT = path of the built command. Targets have their places in the file, so no
catalogue is needed; test_catalogue_* skip where none is packed.
"""
import json
import warnings
from datetime import datetime

import pytest
from support import RIG, answer, needs_command, run

pytestmark = needs_command
LIST = """nightwright-targets: 1
time_zone: +10:00
habits: {rotator_rim: 96 mm}
targets:
  lagoon: {ra: 18:03:37, dec: -24:23:12, rotation: 80 deg, goals: {hydrogen-alpha: 5 h}}
  pinwheel: {ra: 13:37:00, dec: -29:51:57, goals: {luminance: 4 h}}
"""


def plan(folder, *args, text=LIST):
    path = folder / "targets.yaml"
    path.write_text(text)
    return run("plan", RIG, "--targets", path, *args)


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    done = plan(tmp_path_factory.mktemp("plan"), "--night", "2026-06-20", "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.filterwarnings("ignore")
def test_altitudes_and_darkness_are_those_of_astropy(document):
    u = pytest.importorskip("astropy.units")
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_sun
    from astropy.time import Time
    from astropy.utils import iers
    iers.conf.auto_download = False
    iers.conf.auto_max_age = None
    site = EarthLocation(lat=-32.18 * u.deg, lon=146.52 * u.deg, height=437 * u.m)
    places = {"lagoon": SkyCoord("18h03m37s -24d23m12s"),
              "pinwheel": SkyCoord("13h37m00s -29d51m57s")}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for key in ("start", "end"):
            t = Time(datetime.fromisoformat(document["dark"][key]).timestamp(), format="unix")
            sun = get_sun(t).transform_to(AltAz(obstime=t, location=site)).alt.deg
            assert abs(sun + 18.0) < 0.01  # whole seconds: 0.004 deg
        for block in document["blocks"]:
            t = Time(datetime.fromisoformat(block["start"]).timestamp(), format="unix")
            alt = places[block["target"]].transform_to(AltAz(obstime=t, location=site)).alt.deg
            # ours is of the middle of the first five minutes, or of the flip before it
            assert abs(alt - block["altitude_start_deg"]) < 1.6


def test_blocks_do_not_overlap_and_stay_in_the_night(document):
    assert document["schema"] == "nightwright.plan.1" and document["night"] == "2026-06-20"
    times = [(datetime.fromisoformat(b["start"]), datetime.fromisoformat(b["end"]))
             for b in document["blocks"]]
    assert times == sorted(times) and all(a < b for a, b in times)
    assert all(a[1] <= b[0] for a, b in zip(times, times[1:]))
    sunset = datetime.fromisoformat(document["sunset"])
    sunrise = datetime.fromisoformat(document["sunrise"])
    assert all(sunset < a and b < sunrise for a, b in times)
    for block in document["blocks"]:
        assert block["tube_side"] in ("east", "west") and block["subs"] >= 0
        if block["filter"] == "luminance":  # a wide filter waits for the end of twilight
            begin = datetime.fromisoformat(document["dark"]["start"])
            assert (datetime.fromisoformat(block["start"]) - begin).total_seconds() > -300
    assert document["switch_list"][0]["load"] == "supply"
    for row in document["switch_list"]:
        assert row["why"] and row["time"].endswith("+10:00")
        if row["load"] == "caps" and row["action"] == "off":
            assert datetime.fromisoformat(row["time"]) >= sunset


def test_one_gain_or_one_for_each(document):
    """The plan's loss by one setting is the mean of the filters', weighed by their exposure."""
    gain = document["gain"]
    assert gain["one_for_all"] and gain["one_is_enough"] == (gain["lost_by_one_percent"] <= 2)
    seconds = {}
    for block in document["blocks"]:
        exposed = block["subs"] * block["exposure_s"]
        seconds[block["filter"]] = seconds.get(block["filter"], 0) + exposed
    assert {f["filter"] for f in gain["filters"]} == {f for f, s in seconds.items() if s > 0}
    mean = sum(seconds[f["filter"]] * f["lost_by_one_percent"] for f in gain["filters"])
    assert gain["lost_by_one_percent"] == pytest.approx(mean / sum(seconds.values()), abs=0.02)


def test_the_rotator_turns_the_short_way(document):
    rows = {row["target"]: row for row in document["rotator"]}
    row = rows["lagoon"]
    # from 12 to 80 deg: + 68 of a half turn, 0.5 * 96 mm * 68 deg = 56.97 mm
    assert row["turn_deg"] == pytest.approx(68.0, abs=0.01)
    assert row["turn_rim_mm"] == pytest.approx(56.97, abs=0.02)
    assert row["seen_from"].startswith("counter-clockwise")


@pytest.mark.parametrize("night, text, code, words", [
    ("2026-02-30", LIST, 2, "a date that exists"),
    ("20260214", LIST, 2, "a date that exists"),
    ("2026-06-20", "nightwright-targets: 1\ntargets: {}\n", 2, "no target in it"),
    ("2026-06-20", LIST.replace("luminance", "luminanse"), 2, "the nearest is luminance"),
    ("2026-06-20", LIST.replace("goals", "gaols", 1), 2, "did you mean goals"),
])
def test_bad_input(tmp_path, night, text, code, words):
    done = plan(tmp_path, "--night", night, text=text)
    assert done.returncode == code and words in done.stderr and done.stdout == ""


def test_no_darkness_is_said(tmp_path):
    done = plan(tmp_path, "--night", "2026-12-21", "--set", "site.latitude=-62 deg")
    assert done.returncode == 1 and "no darkness" in done.stderr


def test_never_rises_is_said(tmp_path):
    text = LIST.replace("dec: -24:23:12", "dec: 62 deg")
    done = plan(tmp_path, "--night", "2026-06-20", text=text)
    assert done.returncode == 0 and "never rises so high" in done.stdout


def test_calendar_and_timetable(tmp_path):
    done = plan(tmp_path, "--night", "2026-06-20", "--ics", tmp_path / "n.ics",
                "--chart", tmp_path / "n.svg")
    assert done.returncode == 0, done.stderr
    ics = (tmp_path / "n.ics").read_bytes()
    assert ics.startswith(b"BEGIN:VCALENDAR\r\n") and ics.rstrip().endswith(b"END:VCALENDAR")
    assert all(len(line) <= 75 for line in ics.split(b"\r\n"))
    assert ics.count(b"BEGIN:VEVENT") == ics.count(b"DTSTAMP:") > 5
    assert "<svg" in (tmp_path / "n.svg").read_text()


def test_season_in_json(tmp_path):
    path = tmp_path / "targets.yaml"
    path.write_text(LIST)
    document = answer("season", RIG, "--targets", path, "--from", "2026-06-14", "--nights", 150)
    rows = {row["target"]: row for row in document["targets"]}
    assert document["loses_first"] == "pinwheel"
    assert rows["pinwheel"]["last_night"] < "2026-09-15"
    assert rows["lagoon"]["moonless_nights"] <= rows["lagoon"]["nights"]


def catalogue(*args):
    done = run("catalogue", *args)
    if "no catalogue.bin beside the program" in done.stderr:
        pytest.skip("no catalogue is packed: npm was not there")
    return done


@pytest.mark.parametrize("name, ra, dec", [  # places as the lists of the names' owners have them
    ("M 31", 10.6847, 41.269), ("ngc0224", 10.6847, 41.269), ("Messier 45", 56.75, 24.117),
    ("Vega", 279.2347, 38.7837), ("alf Lyr", 279.2347, 38.7837), ("Orion Nebula", 83.822, -5.391),
    ("hip 91262", 279.2347, 38.7837),
])
def test_catalogue_names(name, ra, dec):
    done = catalogue(name, "--json")
    assert done.returncode == 0, done.stderr
    entry = json.loads(done.stdout)["entries"][0]
    assert entry["ra_deg"] == pytest.approx(ra, abs=0.01)
    assert entry["dec_deg"] == pytest.approx(dec, abs=0.01)


def test_catalogue_unknown_name_has_a_nearest():
    done = catalogue("Lagoon Nebla")
    assert done.returncode == 2 and "LAGOONNEBULA" in done.stderr
