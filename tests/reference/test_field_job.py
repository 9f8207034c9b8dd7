"""What stays and what turns, and focus runs, end to end: nights of the simulator with rotator, sag,
lag, play and filters, read by `surface --separate` and `focus` and set against truth.json."""
import json
import math

import pytest
from support import RIG, answer, needs_command, run

pytestmark = needs_command
SIZE = (2400, 1600)
FULL = (6248, 4176)
HANGING = ["focuser_tilt=40 um", "focuser_tilt_towards=70 deg", "sag=30 um", "sag_towards=-20 deg"]


def synth(folder, *args, inject=()):
    extra = [x for text in inject for x in ("--inject", text)]
    done = run("synth", RIG, "-o", folder, *args, *extra)
    assert done.returncode == 0, done.stderr
    return json.loads((folder / "truth.json").read_text())


@pytest.fixture(scope="module")
def four_pairs(tmp_path_factory):
    """Rotator at 0 and 90 deg, tube on either side, all at 32 deg of altitude."""
    top = tmp_path_factory.mktemp("hang")
    truths = []
    for i, (turn, hour) in enumerate([(0, 60), (90, 60), (0, -60), (90, -60)]):
        truths.append(synth(top / f"set{i}", "--focus", "pair", "--size", "%dx%d" % SIZE,
                            "--seed", 5 + i, "--hour-angle", f"{hour} deg",
                            inject=[f"rotator={turn} deg", *HANGING]))
    return top, truths


def test_camera_focuser_and_sag_are_told_apart(four_pairs):
    top, truths = four_pairs
    found = answer("surface", *sorted(top.glob("set*/light*.fits")), "--rig", RIG, "--separate")
    shrink = math.hypot(*SIZE) / math.hypot(*FULL)
    want = {
        "camera": (truths[0]["optics"]["a_um"], truths[0]["optics"]["b_um"]),
        "focuser": (truths[0]["hang"]["focuser_a_um"], truths[0]["hang"]["focuser_b_um"]),
        "sag_at_horizon": (truths[0]["hang"]["sag_a_um"], truths[0]["hang"]["sag_b_um"]),
    }
    for part, (a, b) in want.items():
        got = found["parts"][part]
        assert abs(got["a_um"] - a * shrink) < 3.0 + 0.03 * abs(a * shrink), part
        assert abs(got["b_um"] - b * shrink) < 3.0 + 0.03 * abs(b * shrink), part
        assert got["sigma_um"] < 2.0


def test_slopes_of_the_sets_are_those_of_the_truth(four_pairs):
    _, truths = four_pairs
    t = truths[3]  # rotator 90 deg, tube west: turned back, sag the other way
    z = math.cos(math.radians(32.3))
    x = t["hang"]["focuser_a_um"] - t["hang"]["sag_a_um"] * z
    y = t["hang"]["focuser_b_um"] - t["hang"]["sag_b_um"] * z
    assert t["hang"]["tube_side"] == "west"
    assert t["frames"][0]["a_um"] == pytest.approx(t["optics"]["a_um"] + y, abs=0.3)
    assert t["frames"][0]["b_um"] == pytest.approx(t["optics"]["b_um"] - x, abs=0.3)


def nights(top, inject, n=3):
    """Runs of some nights as one log, and what is true of all of them."""
    rows = []
    for i in range(n):
        truth = synth(top / f"night{i}", "--subs", 36, "--size", "64x48", "--sub", "260s",
                      "--seed", 31 + i, "--start", f"2026-12-0{1 + i}T20:00:00Z",
                      "--filters", "luminance", "red", "blue", inject=inject)
        lines = (top / f"night{i}" / "focus.csv").read_text().splitlines()
        rows += lines[1 if not rows else 2:]
    log = top / "runs.csv"
    log.write_text("\n".join(rows) + "\n")
    return log, truth["focuser"]


@pytest.mark.parametrize("warm", [0, 8])
def test_focus_finds_what_the_nights_were_made_with(tmp_path, warm):
    inject = ["tube_lag=30 min", "focuser_play=140 um", "air_swing=5 K", f"tube_warm={warm} K"]
    log, truth = nights(tmp_path, inject)
    found = answer("focus", "--runs", log, "--rig", RIG)
    for key, want in (("temperature_per_degc", truth["steps_per_k"]),
                      ("backlash", truth["backlash_steps"])):
        term = found[key]
        assert abs(term["steps"] - want) < 3.0 * term["sigma_steps"], key
        assert term["sigma_steps"] < 2.5, key
    for item in found["filter_offsets"]:
        want = truth["offsets_steps"][item["filter"]]
        assert abs(item["offset"]["steps"] - want) < 3.0 * item["offset"]["sigma_steps"]
    assert abs(found["lag_min"] - 30.0) < 3.0 * found["lag_sigma_min"]
    start = found["warm_start_steps"]
    assert (start is None) == (warm == 0)
    if warm:
        assert abs(start - truth["steps_per_k"] * warm) < 4.0 * found["warm_start_sigma_steps"]


def test_play_moves_the_counter_and_not_the_focus(tmp_path):
    """A run that ends inwards finds the same focus with its counter one play lower."""
    args = ["--subs", 6, "--size", "64x48", "--sub", "300s"]
    still = synth(tmp_path / "still", *args)
    loose = synth(tmp_path / "loose", *args, inject=["focuser_play=100 um"])
    assert loose["focuser"]["backlash_steps"] == pytest.approx(-100 / 3.9, rel=1e-3)
    for a, b in zip(still["frames"], loose["frames"]):
        moved = b["focus_steps"] - a["focus_steps"]
        assert abs(moved) < 1.5 or abs(moved + 100 / 3.9) < 1.5
        assert b["defocus_centre_um"] == pytest.approx(a["defocus_centre_um"], abs=0.01)


def test_focus_finds_what_a_flip_of_the_tube_does(tmp_path):
    """Two fields of one night, the first with the tube west, the second with it east."""
    rows = []
    for i, (start, hour) in enumerate([("20:00", -50), ("22:30", 5)]):
        truth = synth(tmp_path / f"half{i}", "--subs", 30, "--size", "64x48", "--sub", "60s",
                      "--seed", 51 + i, "--start", f"2026-12-01T{start}:00Z",
                      "--hour-angle", f"{hour} deg", "--filters", "luminance", "red",
                      inject=["focuser_flip=120 um"])
        lines = (tmp_path / f"half{i}" / "focus.csv").read_text().splitlines()
        rows += lines[1 if not rows else 2:]
    log = tmp_path / "runs.csv"
    log.write_text("\n".join(rows) + "\n")
    term = answer("focus", "--runs", log, "--rig", RIG)["flip_west_minus_east"]
    assert truth["focuser"]["flip_steps"] == pytest.approx(120 / 3.9, rel=1e-3)
    assert abs(term["steps"] - 120 / 3.9) < 3.0 * term["sigma_steps"] < 15.0


def test_single_frames_against_a_baseline_have_their_sign(tmp_path):
    """The whole chip: what a pair found once gives the sign to single frames on either side."""
    synth(tmp_path / "pair", "--focus", "pair", "--seed", 61)
    base = tmp_path / "base.json"
    answer("surface", *sorted((tmp_path / "pair").glob("light*.fits")), "--rig", RIG,
           "--save-baseline", base)
    truth = synth(tmp_path / "later", "--focus", "sweep", "--subs", 2, "--reach", "90 um",
                  "--seed", 62)["optics"]
    for frame in sorted((tmp_path / "later").glob("light*.fits")):
        found = answer("surface", frame, "--rig", RIG, "--baseline", base)
        assert found["method"] == "single" and found["sign_known"]
        for key in ("a_um", "b_um", "c_um"):
            assert abs(found[key] - truth[key]) < 10.0, key  # the target, here with the sign
        assert abs(found["since_baseline"]["a_um"]) < 6.0  # nothing has changed
        bare = answer("surface", frame, "--rig", RIG)
        assert not bare["sign_known"]
        same = math.copysign(1.0, bare["a_um"] * truth["a_um"] + bare["b_um"] * truth["b_um"])
        assert abs(same * bare["a_um"] - truth["a_um"]) < 10.0
        assert abs(same * bare["b_um"] - truth["b_um"]) < 10.0


@pytest.mark.parametrize("args, says", [
    (["--filters", "lumineance"], "nearest: luminance"),
    (["--inject", "tube_warm=3 K"], "without tube_lag"),
    (["--inject", "rotator=400 deg"], "outside -360 deg to 360 deg"),
])
def test_what_cannot_be_simulated_is_said(tmp_path, args, says):
    done = run("synth", RIG, "-o", tmp_path / "x", "--subs", 1, "--size", "64x48", *args)
    assert done.returncode != 0 and says in done.stderr and not (tmp_path / "x").exists()


RADIUS_MM, HALF_DIAGONAL_MM = 38.0, math.hypot(*FULL) * 3.76e-3 / 2


def test_two_known_turns_tell_how_the_chip_stands(tmp_path):
    """A chip turned by 25 deg, screws mirrored; top and lower left raised by 0.12 mm."""
    slope_um = 120.0 / (1.5 * RADIUS_MM) * HALF_DIAGONAL_MM  # about the line of the other two
    z = 0j
    frames = []
    for i, stated in enumerate((None, 90.0, 210.0)):
        if stated is not None:  # that side of the sensor goes out: best focus there comes nearer
            z -= slope_um * complex(math.cos(math.radians(180.0 - stated + 25.0)),
                                    math.sin(math.radians(180.0 - stated + 25.0)))
        towards = math.degrees(math.atan2(z.imag, z.real))
        synth(tmp_path / f"p{i}", "--focus", "pair", "--size", "%dx%d" % SIZE, "--seed", 40 + i,
              inject=[f"focuser_tilt={abs(z):.3f} um", f"focuser_tilt_towards={towards:.3f} deg"])
        frames += sorted((tmp_path / f"p{i}").glob("light*.fits"))
    args = [*frames[:2], "--rig", RIG, "--turned", "top=0.12"]
    one = answer("surface", *args, "--after", *frames[2:4])["screw_response"]
    assert one["mirrored"] is None
    both = answer("surface", *args, "--turned", "lower left=0.12", "--after", *frames[2:])
    found = both["screw_response"]
    assert found["mirrored"] is True and found["turns"] == 2
    assert abs(found["turn_if_mirrored_deg"] - 25.0) < 3.0 * found["turn_sigma_deg"] + 0.5
    assert abs(found["gain"] - 1.0) < 3.0 * found["gain_sigma"] + 0.06  # scale: 2 % and blur
    assert "shims_if_mirrored" not in both
    done = run("surface", *args, "--turned", "lower left=0.12", "--after", *frames[2:5])
    assert done.returncode == 2 and "as many after each turn" in done.stderr
