#!/usr/bin/python3
"""measure.py - `nightwright measure` beside its peers, on the same frames in the same run.

usage: bench/measure.py [--repeat N] [--stars N ...]      (after ./check or ninja -C build)

Everybody starts in a fresh process, in turn, N times; the table gives medians (lowest to highest).
`whole` is the process from start to end; `read` and `work` are what the peers need inside it for
reading the frame into floats and for the work itself, without starting Python and its libraries.
The frame is in the page cache. Found and false are counted against the simulated truth. Peers:
bench/peers.py; `read + 2 passes` is tests/tools/two_passes.c. Timings are not asserted.
"""
import argparse
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile

import numpy as np
import photutils
import sep
from scipy.spatial import cKDTree

TOP = pathlib.Path(__file__).resolve().parent.parent
TOOLS = TOP / "build" / "tests" / "tools"
COMMAND = TOP / "build" / "nightwright"
PEERS = TOP / "bench" / "peers.py"
WIDTH, HEIGHT, FWHM_PX = 6248, 4176, 3.0
FLOAT_MIB = WIDTH * HEIGHT * 4 / 2**20

# A small process of its own starts each: the peak memory of a child counts what its parent held
# when it was forked, and this one holds numpy.
LAUNCH = """
import json, os, sys, time
start = time.perf_counter()
child = os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ)
_, status, used = os.wait4(child, 0)
whole = time.perf_counter() - start
print(json.dumps({"whole_s": whole, "cpu_s": used.ru_utime + used.ru_stime,
                  "peak_MiB": used.ru_maxrss / 1024.0}), file=sys.stderr)
sys.exit(os.waitstatus_to_exitcode(status))
"""


def run(arguments):
    """What the process cost, with what it says about itself."""
    done = subprocess.run([sys.executable, "-S", "-c", LAUNCH, *map(str, arguments)], check=True,
                          capture_output=True, text=True)
    cost = json.loads(done.stderr.splitlines()[-1])
    if str(PEERS) in map(str, arguments):
        cost.update(json.loads(done.stdout))
    return cost


def contenders(frame, places):
    """Name -> command line. The first one is what the others are compared with."""
    python = sys.executable
    return {
        "measure": [COMMAND, "measure", frame],
        "measure, 1 thread": [COMMAND, "measure", frame, "--threads", "1"],
        "sep": [python, PEERS, "sep", frame, places / "sep.npy"],
        "photutils": [python, PEERS, "photutils", frame, places / "photutils.npy"],
        "read + 2 passes": [TOOLS / "two_passes", frame],
    }


def places_of(name, frame, places):
    if name != "measure":
        file = places / f"{name}.npy"
        return np.load(file) if file.exists() else None
    table = places / "stars.csv"
    run([COMMAND, "measure", frame, "--stars", table])
    stars = np.genfromtxt(table, delimiter=",", names=True, usecols=range(2, 7))
    return np.column_stack([stars["x_px"], stars["y_px"]])


def accuracy(found, truth):
    """Per cent of the countable stars found, and how many entries are no star. All true stars are
    above SNR 20. One with a neighbour of a third of its light or more within 1.5 widths is one
    star with it to any program and does not count."""
    tree = cKDTree(truth[:, :2])
    near = tree.query_ball_point(truth[:, :2], 1.5 * FWHM_PX)
    is_countable = np.array([all(j == i or truth[j, 2] < 0.3 * truth[i, 2] for j in list_)
                             for i, list_ in enumerate(near)])
    margin = 5.0
    is_countable &= ((truth[:, 0] > margin) & (truth[:, 0] < WIDTH - margin) &
                     (truth[:, 1] > margin) & (truth[:, 1] < HEIGHT - margin))
    distance, _ = cKDTree(found).query(truth[is_countable, :2])
    to_truth, _ = tree.query(found)
    return (100.0 * float(np.mean(distance < 1.0 + 0.3 * FWHM_PX)),
            int(np.sum(to_truth > FWHM_PX + 1.0)))


def spread(costs, key):
    values = [cost[key] for cost in costs if key in cost]
    if not values:
        return ""
    return f"{statistics.median(values):.3f} ({min(values):.3f} to {max(values):.3f})"


def middle(costs, *keys):
    return statistics.median(sum(cost[key] for key in keys) for cost in costs)


def case(n_stars, repeat, folder):
    frame, truth_file = folder / "frame.fits", folder / "truth.csv"
    subprocess.run([TOOLS / "make_frame", frame, str(FWHM_PX), str(n_stars), str(WIDTH),
                    str(HEIGHT), truth_file], check=True)
    truth = np.genfromtxt(truth_file, delimiter=",", skip_header=1)
    commands = contenders(frame, folder)
    for command in commands.values():
        run(command)  # warm: page cache, libraries
    costs = {name: [] for name in commands}
    before = os.getloadavg()[0]
    for _ in range(repeat):
        for name, command in commands.items():
            costs[name].append(run(command))
    print(f"\n{n_stars:,} stars, {WIDTH} x {HEIGHT} of 16 bits; load {before:.1f} to "
          f"{os.getloadavg()[0]:.1f}")
    print(f"  {'':18}{'whole s':24}{'read s':>7}{'work s':>8}{'cpu s':>7}{'peak MiB':>9}"
          f"{'found %':>9}{'false':>6}")
    for name, list_ in costs.items():
        row = f"  {name:18}{spread(list_, 'whole_s'):24}"
        for key, width in (("read_s", 7), ("work_s", 8), ("cpu_s", 7)):
            row += f"{middle(list_, key):{width}.3f}" if key in list_[0] else " " * width
        row += f"{middle(list_, 'peak_MiB'):9.0f}"
        found = places_of(name, frame, folder)
        if found is not None:
            percent, n_false = accuracy(found, truth)
            row += f"{percent:9.2f}{n_false:6d}  of {len(found)}"
        print(row)
    ours = middle(costs["measure"], "whole_s")
    seps = costs["sep"]
    print(f"  sep / measure: {middle(seps, 'work_s') / ours:.1f} its work alone against the whole "
          f"command, {middle(seps, 'read_s', 'work_s') / ours:.1f} with its reading, "
          f"{middle(seps, 'whole_s') / ours:.1f} whole")
    print(f"  measure / (read + 2 passes): {ours / middle(costs['read + 2 passes'], 'whole_s'):.1f};"
          f" threads: {middle(costs['measure, 1 thread'], 'whole_s') / ours:.2f} x faster than one;"
          f" peak memory {middle(costs['measure'], 'peak_MiB') / FLOAT_MIB:.2f} x the frame as "
          f"float")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeat", type=int, default=7)
    parser.add_argument("--stars", type=int, nargs="+", default=[40, 10000, 60000])
    options = parser.parse_args()
    print(f"{os.cpu_count()} cores; sep {sep.__version__}, photutils {photutils.__version__}; "
          f"medians of {options.repeat} (lowest to highest)")
    for n_stars in options.stars:
        with tempfile.TemporaryDirectory() as folder:
            case(n_stars, options.repeat, pathlib.Path(folder))


if __name__ == "__main__":
    main()
