"""The drive-off trial: frames of the simulator in, the seeing of its truth out."""
import json
import pathlib

import pytest
from support import RIG, answer, needs_command, run

pytestmark = needs_command


@pytest.fixture(scope="module")
def trial(tmp_path_factory) -> pathlib.Path:
    folder = tmp_path_factory.mktemp("trail") / "frames"
    done = run("synth", RIG, "-o", str(folder), "--trial", "drive-off-trail", "--size", "1500x1000",
               "--seed", "5", "--subs", "2", "--seeing", "2.4 arcsec")
    assert done.returncode == 0, done.stderr
    return folder


def test_seeing_of_the_truth_is_found(trial):
    truth = json.loads((trial / "truth.json").read_text())
    result = answer("trial", "drive-off-trail", "--frames", str(trial), "--rig", RIG)["result"]
    assert truth["seeing_arcsec"] == pytest.approx(2.4)
    sigma = result["seeing_sigma_arcsec"]
    assert abs(result["seeing_arcsec"] - 2.4) < 3 * sigma
    assert 0.05 < sigma / result["seeing_arcsec"] < 0.25
    assert result["frames_told"] == 2
    for frame in result["frames"]:
        falls = [step["measured_arcsec"] for step in frame["fall_off"]]
        assert falls == sorted(falls, reverse=True)
        assert frame["stars"] >= 4


def test_frames_without_a_name_are_recognised(trial):
    done = run("trial", "--frames", str(trial), "--rig", RIG, "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["trial"] == "drive-off-trail"


def test_a_guided_frame_is_refused(trial, tmp_path):
    night = tmp_path / "night"
    done = run("synth", RIG, "-o", str(night), "--subs", "1", "--size", "700x500", "--sub", "20 s")
    assert done.returncode == 0, done.stderr
    done = run("trial", "drive-off-trail", "--frames", str(night), "--rig", RIG)
    assert done.returncode == 1
    assert "no trails: of" in done.stderr
    done = run("trial", "drive-off-trail", "--frames", str(trial))
    assert done.returncode == 2
    assert "--rig RIG" in done.stderr
