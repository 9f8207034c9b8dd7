"""Trials that the book finds by itself, advice that it remembers: small frames, known widths."""
import json
import os

import numpy as np
import pytest
from support import RIG, answer, needs_command, run, run_book, write_light
from test_nights import SCALE

pytestmark = needs_command


def width(seed, rest2=6.0):
    seeing = 2.2 * np.exp(np.random.default_rng(seed).normal(0, 0.01))
    return np.sqrt(seeing**2 + rest2) / SCALE


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """Three nights of six subs; in the second six subs of 5 s between seven of 180 s."""
    folder = tmp_path_factory.mktemp("told")
    for night in range(3):
        for sub in range(6):
            seed = 100 * night + sub
            write_light(folder / f"n{night}_{sub}.fits",
                        "2026-05-%02dT%02d:%02d:00" % (night + 1, 10 + sub // 6, sub % 6 * 10),
                        seed, fwhm_px=width(seed), AIRMASS=1.1, EXPTIME=300.0)
    path = folder / "b.sqlite"
    done = run_book(path, "add", folder, "--rig", RIG, "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["trials"] == [], "nights as usual are no trial"
    more = folder / "more"
    more.mkdir()
    for k in range(13):
        is_long = k % 2 == 0
        write_light(more / f"s{k:02d}.fits", "2026-05-02T12:%02d:00" % (4 * k), 500 + k,
                    fwhm_px=width(500 + k, 6.0 if is_long else 5.5), AIRMASS=1.1,
                    EXPTIME=180.0 if is_long else 5.0)
    return path, more


def test_a_trial_is_found_kept_and_used(book):
    path, more = book
    done = run_book(path, "add", more, "--json")  # the rig file is the one that the book knows
    found = json.loads(done.stdout)["trials"]
    assert [t["trial"] for t in found] == ["short-and-long"]
    assert found[0]["quantity"] == "motion and flexure" and found[0]["frames"] == 13
    assert found[0]["value"] == pytest.approx(0.5, abs=0.3 + 2 * found[0]["sigma"])
    assert json.loads(run_book(path, "add", more, "--json").stdout)["trials"] == [], "told once"
    told = answer("check", RIG, "--book", path, "--nights", "all")["nights"]
    assert told["frames_of_trials"] == 6  # the short ones; the long ones are subs of the night
    assert told["subs"] == 3 * 6 + 7
    assert [t["used"] for t in told["trials"]] == [True]
    assert "motion and flexure" in told["trials"][0]["text"]
    # the rig file foretells other motion now: what was measured was the old one
    other = answer("check", RIG, "--book", path, "--nights", "all", "--set",
                   "mount.motion_ra={value: 0.2 arcsec, sigma: 0.1 arcsec}")["nights"]
    assert [t["used"] for t in other["trials"]] == [False]
    assert "has another 'mount, inside a sub' since: not used" in other["trials"][0]["text"]


def outcomes(path, rig):
    return {a["change"]: a for a in answer("check", rig, "--book", path)["advice_before"]}


def test_advice_is_remembered_and_judged(book, tmp_path):
    path, folder = book
    rig = tmp_path / "rig.yaml"
    rig.write_bytes(RIG.read_bytes())
    assert run_book(path, "add", folder).returncode == 0  # may be in the book already
    advised = answer("check", rig, "--book", path, "--nights", "all")["advice"]
    assert advised
    first = answer("check", rig, "--book", path, "--night", "2026-05-03")
    # the look at all nights has advised, and nothing was done of it
    before = {a["change"]: a["outcome"] for a in first["advice_before"]}
    assert set(before) == {a["change"] for a in advised}
    assert set(before.values()) == {"open"}
    assert "advice_before" not in answer("check", rig), "without a book nothing is said"
    # kept, and not taken up: the command's text says so
    text = run("check", rig, "--book", path, "--night", "2026-05-03").stdout
    assert "DID IT HELP" in text and "of earlier advice not taken up" in text
    # stars become narrower by 7 arcsec^2, far more than was foretold
    for night in (3, 4):
        for sub in range(6):
            write_light(folder / f"l{night}_{sub}.fits",
                        "2026-05-%02dT%02d:%02d:00" % (night + 1, 10 + sub // 6, sub % 6 * 10),
                        900 + 10 * night + sub, fwhm_px=width(10 * night + sub, -1.0),
                        AIRMASS=1.1, EXPTIME=300.0)
    assert run_book(path, "add", folder).returncode == 0
    what = "focus every 30 minutes"
    assert run_book(path, "change", "2026-05-04", *what.split()).returncode == 0
    told = outcomes(path, rig)
    assert told[what]["outcome"] == "refuted"
    assert told[what]["came_arcsec"] < -0.3 and abs(told[what]["foretold_arcsec"]) < 0.3
    # one of two keys of a change: in part, and open
    two = "guide with exposures of 4 s"
    half = rig.read_text().replace("exposure: 2 s}", "exposure: 4 s}", 1)
    assert half != rig.read_text()
    (tmp_path / "half.yaml").write_text(half)
    part = outcomes(path, tmp_path / "half.yaml")[two]
    assert part["outcome"] == "open"
    assert "mount.motion_ra is as it was" in part["why_null"]["came_arcsec"]
    # a value of the rig file, changed on the disk on the same day: two changes, the same nights
    other = "a focuser that follows the temperature"
    assert other in told
    key = "compensation: {value: "
    rig.write_text(rig.read_text().replace(key + "0,", key + "0.85,", 1))
    os.utime(rig, (1777852800, 1777852800))  # 2026-05-04T00:00Z
    again = outcomes(path, rig)
    assert again[other]["outcome"] == "cannot tell"  # "open": not seen in the rig file
    assert "cannot tell them apart" in again[other]["why_null"]["came_arcsec"]
    assert again[what]["outcome"] == "refuted", "what is told stays told"


def test_a_surface_that_was_kept_counts(book, tmp_path):
    """Tilt and curvature follow a measured surface while the rig file is the same."""
    path, _ = book
    name = next(line.split(":", 1)[1].strip() for line in RIG.read_text().splitlines()
                if line.startswith("name:"))
    document = {"schema": "nightwright.surface.1", "method": "pair", "frames_used": 2,
                "sign_known": True, "tilt_corner_to_corner_um": 60.0,
                "tilt_corner_to_corner_sigma_um": 2.0, "tilt_direction_deg": 40.0, "c_um": 5.0,
                "c_sigma_um": 1.0, "astigmatism_um": 2.0, "astigmatism_sigma_um": 1.0,
                "about": {"rig": name, "setup": "deep", "frames": 2, "camera": "cooled mono",
                          "start_utc": "2026-05-03T11:00:00Z", "end_utc": "2026-05-03T11:03:00Z"}}
    (tmp_path / "surface.json").write_text(json.dumps(document))
    assert run_book(path, "add", tmp_path / "surface.json").returncode == 0
    told = answer("check", RIG, "--book", path, "--nights", "..2026-05-03")["nights"]
    assert any("from the surface that was kept" in t["text"] and t["used"] for t in told["trials"])
    tilt = next(t for t in told["terms"] if t["id"] == "tilt_curvature")
    assert tilt["told_by_trial"] and tilt["prior_sigma"] < 0.2 * tilt["prior"]


def test_a_rig_of_one_look_is_not_remembered(book):
    path, _ = book
    done = run("check", RIG, "--book", path, "--set", "mount.flexure=0 arcsec/h")
    assert done.returncode == 0 and "DID IT HELP" not in done.stdout, "a rig of this look alone"
