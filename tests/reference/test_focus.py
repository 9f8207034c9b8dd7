"""The commands `focus` and `spacing`, and `check --budget back_focus`: documents, exit codes, a
simulated night against its truth, least squares against scipy."""

import pytest
from support import RIG, answer, run


def runs_csv(path, rows):
    path.write_text("time,position_steps,temperature_c,filter,last_move\n"
                    + "".join(f"{t},{p:.3f},{c:.3f},{f},{w}\n" for t, p, c, f, w in rows))


def made_up_runs():
    np = pytest.importorskip("numpy")
    rng = np.random.default_rng(5)
    rows = []
    for night in range(3):
        for k in range(12):
            celsius = 12 - 0.5 * k + 1.5 * np.sin(k / 2 + night)
            name = ["lum", "red"][k % 2]
            way = ["in", "out"][int(rng.integers(2))]
            steps = (20000 + 30 * night - 7.5 * celsius + (18 if name == "red" else 0)
                     + (25 if way == "in" else 0) + rng.normal(0, 3))
            when = f"2026-05-{14 + night}T{8 + k // 2:02d}:{30 * (k % 2):02d}:00Z"
            rows.append((when, steps, celsius, name, way))
    return rows


def test_fit_equals_scipy_without_lag(tmp_path):
    np = pytest.importorskip("numpy")
    linalg = pytest.importorskip("scipy.linalg")
    rows = made_up_runs()
    runs_csv(tmp_path / "runs.csv", rows)
    got = answer("focus", "--runs", tmp_path / "runs.csv", "--reference", "lum")
    design = np.array([[*(float(t[8:10] == str(14 + n)) for n in range(3)), c, f == "red",
                        0.5 if w == "in" else -0.5] for t, _, c, f, w in rows], float)
    target = np.array([round(p, 3) for _, p, _, _, _ in rows])
    beta, rss, _, _ = linalg.lstsq(design, target)
    sigma = np.sqrt(np.sum((design @ beta - target) ** 2) / (len(rows) - design.shape[1]))
    covariance = sigma ** 2 * np.linalg.inv(design.T @ design)
    # the lag is fitted beside it: at or near 0 here, it moves the rest within its error
    for key, i in (("temperature_per_degc", 3), ("backlash", 5)):
        assert got[key]["steps"] == pytest.approx(beta[i], abs=0.6 * np.sqrt(covariance[i, i]))
        assert got[key]["sigma_steps"] == pytest.approx(np.sqrt(covariance[i, i]), rel=0.5)
    assert got["filter_offsets"][0]["filter"] == "red"
    assert got["filter_offsets"][0]["offset"]["steps"] == pytest.approx(18, abs=4)
    assert got["repeatability"]["steps"] == pytest.approx(sigma, rel=0.05)
    assert got["nights"] == 3 and got["runs_used"] == 36


def test_simulated_night_against_its_truth(tmp_path):
    night = tmp_path / "night"
    done = run("synth", RIG, "-o", night, "--subs", 26, "--sub", "20 min", "--hour-angle",
               "-60deg", "--size", "400x300", "--seed", 3)
    assert done.returncode == 0, done.stderr
    got = answer("focus", night, "--rig", RIG)
    k = got["temperature_per_degc"]
    # the demo's tube: 690 mm x 23.6 um/m/K, m^2 in both travel and tube cancels
    assert abs(k["travel_um"] + 690e-3 * 23.6) < 3 * k["sigma_travel_um"]
    assert got["time_separable"] is False
    assert got["drift_per_hour"]["steps"] is None
    assert "not separable" in got["drift_per_hour"]["why_null"]["steps"]
    assert got["backlash"]["steps"] is None and got["lag_min"] is None
    assert got["interval"]["flat_low_min"] < got["interval"]["best_min"]
    assert got["interval"]["best_min"] < got["interval"]["flat_high_min"]
    # the simulator's own log of its runs holds the same positions, and the times of day too
    log = answer("focus", "--runs", night / "focus.csv", "--rig", RIG)
    seen = {r["position_steps"] for r in got["runs"]}
    assert seen <= {r["position_steps"] for r in log["runs"]}
    assert abs(log["temperature_per_degc"]["travel_um"] + 690e-3 * 23.6) < 3 * log[
        "temperature_per_degc"]["sigma_travel_um"]
    # what it proposes for the rig file is taken by the rig file
    sets = [a for p, v in got["set"].items() for a in ("--set", f"{p}={v}")]
    assert sets
    check = answer("check", RIG, *sets)
    focus = next(l for l in check["budgets"][0]["lines"] if l["id"] == "focus")
    before = next(l for l in answer("check", RIG)["budgets"][0]["lines"] if l["id"] == "focus")
    assert focus["predicted"] != before["predicted"]
    text = run("focus", night, "--rig", RIG).stdout
    assert max(map(len, text.splitlines())) <= 80
    assert "CANNOT TELL" in text and "FOR THE RIG" in text


def test_spacing_and_back_focus_agree():
    spacing = answer("spacing", RIG)
    check = answer("check", RIG, "--budget", "back_focus")
    total = check["budgets"][0]["total"]
    assert [b["name"] for b in check["budgets"]] == ["back_focus"]
    assert spacing["left_over_mm"] == pytest.approx(total["predicted"], abs=1e-4)
    lines = check["budgets"][0]["lines"]
    assert sum(l["predicted"] for l in lines if l["summed"]) == pytest.approx(
        total["predicted"], abs=1e-4)
    (path, value), = spacing["sets"][0]["set"].items()
    after = answer("check", RIG, "--budget", "back_focus", "--set", f"{path}={value}")
    assert after["budgets"][0]["total"]["predicted"] == pytest.approx(
        spacing["sets"][0]["left_over_mm"], abs=1e-3)
    assert after["budgets"][0]["total"]["over"] is False
    for command in (("spacing", RIG), ("check", RIG, "--budget", "back_focus")):
        assert max(map(len, run(*command).stdout.splitlines())) <= 80


def test_change_of_spacing_by_scale():
    got = answer("spacing", RIG, "--focal-before", "644.2 mm +- 0.1 mm", "--focal-after",
                 "642.7 mm +- 0.1 mm", "--curvature-before", "60 um", "--curvature-after",
                 "20 um", "--changed", "0.5 mm")
    assert got["change_mm"] == pytest.approx((642.7 / 644.2 - 1) / -0.0045454545, rel=1e-4)
    assert got["more_for_no_curvature_mm"] == pytest.approx(0.25)
    assert got["curvature_um_per_mm"] == pytest.approx(-80)


@pytest.mark.parametrize("args,code,message", [
    (("focus",), 2, "nothing to look at: expected frames, or --runs FILE.csv"),
    (("focus", "--runs", "no.csv"), 2, "no.csv"),
    (("focus", "--runs", "x.csv", "--setup", "a"), 2, "a setup of which rig? give --rig"),
    (("spacing", RIG, "--focal-before", "1 mm"), 2,
     "--focal-before and --focal-after are given together"),
    (("spacing", RIG, "--focal-before", "644", "--focal-after", "640 mm"), 2, "--focal-before"),
    (("spacing", RIG, "--setup", "wide"), 2, "setup wide has no corrector"),
    (("check", RIG, "--setup", "wide", "--budget", "back_focus"), 2,
     "budget back_focus: setup wide has no corrector"),
    (("check", RIG, "--budget", "back_focus", "--strict"), 3, ""),
])
def test_refusals_and_exit_codes(args, code, message, tmp_path):
    done = run(*args, cwd=tmp_path)
    assert done.returncode == code, done.stderr
    assert message in done.stderr
