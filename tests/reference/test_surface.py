"""`nightwright surface` on simulated pairs: against the simulator's truth, and against scipy.

The frames come from the simulator's wave optics, which shares nothing with the analyser. scipy
fits the heights of the single cells anew: an independent linear fit must land where the joint
fit did. Also checked: sign, m^2, positions by hand, the way of a baseline there and back.
"""
import json
import re

import numpy as np
import pytest
from scipy.optimize import curve_fit
from support import RIG, answer, needs_command, run

pytestmark = needs_command
SIZE = (2400, 1600)
FULL = (6248, 4176)


def surface(*args):
    return answer("surface", *args)


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("surface") / "pair"
    done = run("synth", RIG, "-o", folder, "--focus", "pair", "--size", "%dx%d" % SIZE)
    assert done.returncode == 0, done.stderr
    truth = json.loads((folder / "truth.json").read_text())
    return sorted(folder.glob("light*.fits")), truth


def shrink():
    """Truth is per half diagonal of the whole chip; only its middle was read out."""
    return np.hypot(*SIZE) / np.hypot(*FULL)


def test_pair_finds_the_simulated_surface(pair):
    frames, truth = pair
    found = surface(*frames, "--rig", RIG)
    assert found["method"] == "pair" and found["sign_known"]
    k = shrink()
    for key, factor in (("a_um", k), ("b_um", k), ("c_um", k * k)):
        want = truth["optics"][key] * factor
        assert abs(found[key] - want) < 3.0 + 0.03 * abs(want), key  # 3 um or 3 %
    assert found["magnification_squared"] == pytest.approx(0.64)
    assert found["um_per_step_at_sensor"] == pytest.approx(3.9 * 0.64)
    # 2 lambda N^2 (REFERENCES FOC-01) at the filter's 550 nm; travel: / m^2
    n = 805 * 0.8 / 115
    assert found["depth_of_focus_um"] == pytest.approx(2 * 0.55 * n * n, rel=1e-3)
    assert found["depth_of_focus_travel_um"] == pytest.approx(2 * 0.55 * n * n / 0.64, rel=1e-3)
    assert min(s["mm"] for s in found["shims"]) == 0.0


def test_scipy_fits_the_same_surface_through_the_cells(pair):
    frames, _ = pair
    found = surface(*frames, "--rig", RIG)
    cells = [z for z in found["zones"] if z["best_um"] is not None]
    u, v, z, s = (np.array([c[k] for c in cells]) for k in ("u", "v", "best_um", "sigma_um"))

    def height(_, z0, a, b, c):
        return z0 + a * u + b * v + c * (u * u + v * v)

    fit, cov = curve_fit(height, u, z, sigma=s, p0=[0, 0, 0, 0])
    got = np.array([found[k] for k in ("z0_um", "a_um", "b_um", "c_um")])
    assert np.all(np.abs(fit - got) < 3.0 * np.sqrt(np.diag(cov)) + 0.5), (fit, got)


def test_tilt_is_defined_as_documented(pair):
    frames, _ = pair
    found = surface(*frames, "--rig", RIG)
    w, h = SIZE
    want = 2 * (abs(found["a_um"]) * w + abs(found["b_um"]) * h) / np.hypot(w, h)
    assert found["tilt_corner_to_corner_um"] == pytest.approx(want, rel=1e-3)
    direction = np.degrees(np.arctan2(found["b_um"], found["a_um"]))
    assert found["tilt_direction_deg"] == pytest.approx(direction, abs=0.1)


def test_frames_the_other_way_round_turn_the_signs(pair):
    frames, _ = pair
    there = surface(*frames, "--rig", RIG)
    back = surface(*frames, "--rig", RIG, "--positions", "20042,19972")
    assert back["a_um"] == pytest.approx(-there["a_um"], abs=0.3)
    assert back["c_um"] == pytest.approx(-there["c_um"], abs=0.6)


def test_without_a_rig_headers_and_step_serve(pair):
    frames, _ = pair
    rig = surface(*frames, "--rig", RIG)
    bare = surface(*frames, "--step", "2.496um")  # at the sensor: 3.9 um x 0.64
    assert bare["a_um"] == pytest.approx(rig["a_um"], abs=0.3)
    assert bare["magnification_squared"] is None and "magnification_squared" in bare["why_null"]
    nothing = surface(*frames)
    assert nothing["a_um"] is None and "step" in nothing["why_null"]["a_um"]
    assert nothing["tilt_direction_deg"] == pytest.approx(rig["tilt_direction_deg"], abs=5)


def test_baseline_there_and_back(pair, tmp_path):
    frames, _ = pair
    base = tmp_path / "base.json"
    found = surface(*frames, "--rig", RIG, "--save-baseline", base)
    kept = json.loads(base.read_text())
    assert kept["schema"] == "nightwright.field_baseline.1"
    assert kept["c_um"] == pytest.approx(found["c_um"], rel=1e-3)
    one = surface(frames[0], "--rig", RIG, "--baseline", base)
    assert one["method"] == "single" and "since_baseline" in one
    kept["c_sigma_um"] = -1
    base.write_text(json.dumps(kept))
    done = run("surface", frames[0], "--rig", RIG, "--baseline", base)
    assert done.returncode == 2 and "c_sigma_um is not a number > 0" in done.stderr
    base.write_text("{}")
    done = run("surface", frames[0], "--baseline", base)
    assert done.returncode == 2 and "expected nightwright.field_baseline.1" in done.stderr


def test_map_is_one_svg_of_its_own(pair, tmp_path):
    frames, _ = pair
    path = tmp_path / "map.svg"
    surface(*frames, "--rig", RIG, "--map", path)
    text = path.read_text()
    assert text.lstrip().startswith(("<?xml", "<svg")) and "</svg>" in text
    assert "Best focus" in text and "Star shapes" in text and "lower left" in text
    assert not re.search(r"https?://(?!www\.w3\.org)", text)


@pytest.mark.parametrize("args, says", [
    (["--positions", "1"], "1 values for 2 frames"),
    (["--positions", "a,b"], "is no number"),
    (["--turned", "top=0.1"], "belong together"),
    (["--separate"], "nothing to compare"),
    (["--step", "0um"], "is not > 0"),
    (["--setup", "deep"], "give --rig"),
])
def test_bad_usage_is_named(pair, args, says):
    done = run("surface", *pair[0], *args)
    assert done.returncode == 2 and says in done.stderr and done.stdout == ""
