"""Volts and amps against scipy's root finder, a power log against numpy's least squares and against
the simulator's truth."""

import csv
import json

import numpy as np
import pytest
from scipy.optimize import fsolve
from support import RIG, answer, run


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("power") / "night"
    done = run("synth", RIG, "-o", folder, "--subs", 8, "--size", "32x32", "--seed", 5,
               "--inject", "bad_joint=60 mohm")
    assert done.returncode == 0, done.stderr
    return folder


def test_the_tree_solves_kirchhoffs_laws():
    """All of the low-voltage side as one system of equations, for cooling, straps and slewing."""
    by = {c["name"]: c for c in answer("power", RIG)["circuits"]}
    want = {c: next(m for m in by[c]["moments"] if m["moment"] == "all at once") for c in by}
    peak = {"mount motors": 34, "roof motor": 1, "main camera": 38, "mini PC": 24,
            "main strap": 18, "guide strap": 7, "focus motor": 1.5, "filter wheel": 1,
            "light panel": 0.5}
    straps = ("main strap", "guide strap")
    names = ["cut battery", "power hub", *peak]

    def amps(name, v):
        return peak[name] * v / 13.8**2 if name in straps else peak[name] / v

    def laws(v):
        at = dict(zip(names, v))
        draw = {n: amps(n, at[n]) for n in peak}
        hub = sum(draw[n] for n in peak if by[n]["fed_by"] == "power hub") + 1.5 / at["power hub"]
        total = hub + draw["mount motors"] + draw["roof motor"]
        out = [13.8 - 0.005 * total - by["cut battery"]["wire_ohm"] * total - at["cut battery"],
               at["cut battery"] - by["power hub"]["wire_ohm"] * hub - at["power hub"]]
        for n in peak:
            out.append(at[by[n]["fed_by"]] - by[n]["wire_ohm"] * draw[n] - at[n])
        return out

    solved = dict(zip(names, fsolve(laws, [13.0] * len(names), xtol=1e-12)))
    for name, volts in solved.items():
        assert want[name]["v"] == pytest.approx(volts, abs=2e-4), name  # six printed digits


def test_a_log_gives_what_numpy_gives(night):
    log = answer("power", RIG, night / "power.csv")["log"]
    rows = list(csv.DictReader(l for l in (night / "power.csv").open() if l[0] != "#"))
    col = {k: np.array([float(r[k]) for r in rows]) for k in rows[0] if k != "time"}
    seen = {c["name"]: c for c in log["circuits"]}
    a = np.column_stack([np.ones(len(rows)), col["power hub A"], col["bench supply A"]])
    fit = np.linalg.lstsq(a, col["bench supply V"] - col["power hub V"], rcond=None)[0]
    assert seen["power hub"]["wire_ohm"] == pytest.approx(fit[1], rel=1e-4)
    assert seen["cut battery"]["wire_ohm"] == pytest.approx(fit[2], rel=2e-3)
    slope, offset = np.polyfit(col["bench supply A"], col["bench supply V"], 1)
    assert log["open_v"] == pytest.approx(offset, abs=1e-3)
    assert log["inner_ohm"] == pytest.approx(-slope, rel=1e-3)
    watts = col["power hub V"] * col["main camera A"]
    assert seen["main camera"]["usual_w"] == pytest.approx(np.median(watts), rel=1e-4)
    assert seen["main camera"]["energy_wh"] == pytest.approx(np.trapz(watts, dx=5) / 3600, rel=1e-4)


def test_a_log_gives_back_the_truth_and_finds_the_bad_joint(night):
    report = answer("power", RIG, night / "power.csv")
    seen = {c["name"]: c for c in report["log"]["circuits"]}
    truth = {c["name"]: c for c in json.loads((night / "power_truth.json").read_text())["circuits"]}
    for name in ("power hub", "cut battery"):
        off = seen[name]["wire_ohm"] - truth[name]["loop_ohm"]
        assert abs(off) < 3.5 * seen[name]["wire_sigma_ohm"] + 1e-4, name
    assert seen["power hub"]["wire_off_sigmas"] > 5
    assert abs(seen["cut battery"]["wire_off_sigmas"]) < 3
    text = run("power", RIG, night / "power.csv").stdout
    assert text.count("TOO MUCH") == 1
    for name, t in truth.items():  # meters are good to 2 %, and a load's volts are the hub's
        if "running_w" in t and seen[name]["energy_wh"] is not None:
            assert seen[name]["energy_wh"] == pytest.approx(t["energy_wh"], rel=0.05), name
    assert report["log"]["open_v"] == pytest.approx(truth["bench supply"]["open_v"], abs=0.15)


def test_without_the_fault_nothing_is_found(tmp_path):
    folder = tmp_path / "night"
    assert run("synth", RIG, "-o", folder, "--subs", 4, "--size", "32x32",
               "--seed", 9).returncode == 0
    assert "TOO MUCH" not in run("power", RIG, folder / "power.csv").stdout


def test_check_sets_the_log_beside_the_budget(night):
    document = answer("check", RIG, "--budget", "power", "--power", night / "power.csv")
    budget = document["budgets"][0]
    lines = {l["id"]: l for l in budget["lines"]}
    assert lines["load:main camera"]["measured"] == pytest.approx(
        lines["load:main camera"]["predicted"], rel=0.3)
    assert lines["fuse:shed socket"]["measured"] is None  # not logged, never zero
    assert lines["fuse:shed socket"]["why_null"]["measured"]
    assert budget["total"]["measured"] < budget["total"]["allowed"]


def test_bad_use(tmp_path):
    bare = tmp_path / "bare.yaml"
    text = RIG.read_text()
    lines = text[:text.index("circuits:")].splitlines(True)
    bare.write_text("".join(l for l in lines if not l.startswith("    off:")))
    done = run("power", bare)
    assert done.returncode == 2 and "no circuits are described" in done.stderr
    assert run("power", RIG, tmp_path / "none.csv").returncode == 2
    log = tmp_path / "log.csv"
    log.write_text("t_s,main camra A\n" + "".join(f"{i},1\n" for i in range(12)))
    done = run("power", RIG, log)
    assert done.returncode == 2 and "nearest is 'main camera'" in done.stderr
