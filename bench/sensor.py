#!/usr/bin/python3
"""Many simulated sets of bias, dark and flat frames, analysed and set against their truth.

usage: bench/sensor.py [SETS]      with build/nightwright (or NIGHTWRIGHT) and data/demo/rig.yaml

Every set has its own seed, flicker, drift of the lamp, bend of the response, wander and clamping of
the offset, wells or counts that end first. Printed: error against truth (rms, worst), share of sets
within the promise, width of the pulls (error over the error that was claimed). The promises: gain
0.5 %, read noise 3 %, dark 5 % or 0.0005 e/s, full scale 2 %, level of the panel's table 3 %.
"""
import json
import math
import os
import pathlib
import random
import subprocess
import sys
import tempfile

TOP = pathlib.Path(__file__).resolve().parents[1]
NIGHTWRIGHT = os.environ.get("NIGHTWRIGHT", str(TOP / "build" / "nightwright"))
RIG = TOP / "data" / "demo" / "rig.yaml"


def run(*args):
    done = subprocess.run([NIGHTWRIGHT, *map(str, args)], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        sys.exit(f"{' '.join(map(str, args))}\n{done.stderr}")
    return done.stdout


class Tally:
    def __init__(self, name, unit):
        self.name, self.unit, self.errors, self.pulls, self.kept = name, unit, [], [], 0

    def add(self, error, promise, pull=None):
        self.errors.append(error)
        self.kept += abs(error) <= promise
        if pull is not None:
            self.pulls.append(pull)

    def show(self):
        n = len(self.errors)
        if n == 0:
            return
        rms = math.sqrt(sum(e * e for e in self.errors) / n)
        worst = max(abs(e) for e in self.errors)
        pull = math.sqrt(sum(p * p for p in self.pulls) / len(self.pulls)) if self.pulls else math.nan
        print(f"{self.name:26s}{n:5d}{rms:12.4g}{worst:12.4g} {self.unit:6s}"
              f"{100 * self.kept / n:8.1f} %{pull:9.2f}")


def inject(rng, seed):
    faults = {"flicker": rng.uniform(0.001, 0.01), "drift": rng.uniform(-0.05, 0.05),
              "nonlinearity": rng.uniform(0.0, 0.03), "wander": rng.uniform(0.05, 0.3),
              "clamp": float(seed % 4 == 3), "doubling": rng.uniform(5.0, 8.0),
              "prnu": rng.uniform(0.003, 0.015), "rows": rng.uniform(0.0, 0.3),
              "well": 1.3 if seed % 3 == 1 else 0.9}
    return [word for k, v in faults.items() for word in ("--inject", f"{k}={v:.5f}")]


def sensor_set(folder, seed, rng, tallies):
    run("synth", RIG, "--set", "sensor", "--size", "1000x700", "--seed", seed, *inject(rng, seed),
        "-o", folder)
    got = json.loads(run("sensor", folder, "--json"))
    truth = json.loads((folder / "truth.json").read_text())
    camera = truth["camera"]
    for key, sigma, promise in (("gain_e_per_adu", "gain_sigma_e_per_adu", 0.5),
                                ("read_noise_e", "read_noise_sigma_e", 3.0),
                                ("full_scale_e", "full_scale_sigma_e", 2.0)):
        want = camera[key]
        if key == "read_noise_e":  # whole rows that change are noise, too
            want = math.hypot(want, truth["injected"]["rows"])
        error = got[key] - want
        tallies[key].add(100 * error / want, promise, error / got[sigma])
    tallies["limit"].add(float(got["full_scale_limit"] != camera["full_scale_limit"]), 0.5)
    for dark in got["darks"]:
        want = camera["dark_e_per_s"] * 2 ** ((dark["temperature_c"] + 10)
                                              / truth["injected"]["doubling"])
        error = dark["dark_e_per_s"] - want
        tallies["dark"].add(error, max(0.0005, 0.05 * want), error / dark["dark_sigma_e_per_s"])
    if got["dark_doubling_k"]:
        error = got["dark_doubling_k"] - truth["injected"]["doubling"]
        tallies["doubling"].add(error, 0.5, error / got["dark_doubling_sigma_k"])
    bend = truth["injected"]["nonlinearity"]
    error = got["nonlinearity_percent"] - 45.0 * bend * got["full_scale_e"] / 16000.0
    tallies["nonlinearity"].add(error, 0.5)


def panel_set(folder, seed, rng, tallies):
    run("synth", RIG, "--set", "panel", "--size", "400x300", "--seed", seed, "--inject", "dust=0",
        "--inject",
        f"flicker={rng.uniform(0.001, 0.008):.5f}", "--inject",
        f"panel_power={rng.uniform(0.7, 1.3):.4f}", "--inject",
        f"panel_curve={rng.uniform(-0.03, 0.05):.4f}", "--inject",
        f"nonlinearity={rng.uniform(0, 0.02):.4f}", "-o", folder)
    names = sorted(str(p) for p in folder.glob("*.fits") if "then" not in p.name)
    got = json.loads(run("flats", RIG, *names, "--json"))
    truth = json.loads((folder / "truth.json").read_text())
    power, curve = truth["injected"]["panel_power"], truth["injected"]["panel_curve"]

    def light(setting):
        x = math.log(setting / 100)
        return math.exp(power * x) * (1 + curve * x * x)

    rates = {}
    for frame in truth["frames"]:
        if frame["setting"] and "then" not in frame["file"]:
            rates[frame["filter"]] = frame["light_e_per_s"] / light(frame["setting"])
    for line in got["table"]:
        if line["filter"] in rates:
            e = rates[line["filter"]] * light(line["setting"]) * line["exposure_s"]
            level = e / truth["camera"]["gain_e_per_adu"]
            level *= 1 - truth["injected"]["nonlinearity"] * e / 16000.0
            error = level / got["level_adu"] - 1
            tallies["panel"].add(100 * error, 3.0, 100 * error / line["level_sigma_percent"])


def main():
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    tallies = {"gain_e_per_adu": Tally("gain", "%"), "read_noise_e": Tally("read noise", "%"),
               "full_scale_e": Tally("full scale", "%"), "limit": Tally("wells or counts", "wrong"),
               "dark": Tally("dark current", "e/s"), "doubling": Tally("doubling", "K"),
               "nonlinearity": Tally("nonlinearity", "%"), "panel": Tally("panel's level", "%")}
    rng = random.Random(7)
    with tempfile.TemporaryDirectory() as top:
        for seed in range(1, sets + 1):
            for kind in (sensor_set, panel_set):
                folder = pathlib.Path(top) / f"{kind.__name__}{seed}"
                kind(folder, seed, rng, tallies)
                for path in folder.iterdir():
                    path.unlink()
    print(f"{'':26s}{'n':>5s}{'rms':>12s}{'worst':>12s}{'':7s}{'within':>10s}{'pull':>9s}")
    for tally in tallies.values():
        tally.show()


if __name__ == "__main__":
    main()
