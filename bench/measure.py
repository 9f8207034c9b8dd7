#!/usr/bin/python3
"""measure.py - `nightwright measure` beside its peers, on the same frames in the same run.

usage: bench/measure.py [--repeat N]      (after ./check or ninja -C build)

Peers: sep (background, subtraction, detection, half-light radii: what the command does at least),
photutils (DAOStarFinder: detection alone), and reading the file and passing twice over its pixels.
Prints medians of N runs, ratios, peak memory, and what each found. Timings are not asserted.
"""
import argparse
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

import numpy as np
import photutils
import sep
from astropy.io import fits
from photutils.detection import DAOStarFinder

TOP = pathlib.Path(__file__).resolve().parent.parent
COMMAND = TOP / "build" / "nightwright"
MAKER = TOP / "build" / "tests" / "tools" / "make_frame"
CASES = [("10,000 stars, 26 Mpx", 10000, 6248, 4176), ("40 stars, 26 Mpx", 40, 6248, 4176),
         ("60,000 stars, 26 Mpx", 60000, 6248, 4176)]


def timed(repeat, work):
    """Median wall time and the last result."""
    times = []
    for _ in range(repeat):
        start = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - start)
    return statistics.median(times), result


# A small process of its own starts the command: the peak memory of a child counts what its parent
# held when it was forked.
LAUNCH = """
import json, os, sys
child = os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ)
_, status, used = os.wait4(child, 0)
print(json.dumps([used.ru_utime + used.ru_stime, used.ru_maxrss / 1024.0]), file=sys.stderr)
sys.exit(os.waitstatus_to_exitcode(status))
"""


def ours(path):
    """What the command found, its CPU seconds, its peak memory in MiB."""
    done = subprocess.run([sys.executable, "-c", LAUNCH, COMMAND, "measure", path, "--json"],
                          check=True, capture_output=True)
    cpu, memory = json.loads(done.stderr)
    return json.loads(done.stdout)["frames"][0], cpu, memory


def read(path):
    return fits.getdata(path).astype(np.float32)


def peer_sep(pixels):
    background = sep.Background(pixels)
    clean = pixels - background
    stars = sep.extract(clean, 5.0, err=background.globalrms)
    radius, _ = sep.flux_radius(clean, stars["x"], stars["y"], np.full(len(stars), 9.0), 0.5)
    return len(stars), 2.0 * float(np.median(radius))


def peer_photutils(pixels):
    mean, noise = np.median(pixels), 1.4826 * np.median(np.abs(pixels - np.median(pixels)))
    return len(DAOStarFinder(fwhm=3.0, threshold=5.0 * noise)(pixels - mean))


def two_passes(path):
    pixels = read(path)
    return float(pixels.sum(dtype=np.float64)), float((pixels * pixels).sum(dtype=np.float64))


def report(name, path, repeat):
    wall, (frame, cpu, memory) = timed(repeat, lambda: ours(path))
    t_read, pixels = timed(repeat, lambda: read(path))
    t_sep, (n_sep, half) = timed(repeat, lambda: peer_sep(pixels))
    t_two, _ = timed(repeat, lambda: two_passes(path))
    t_dao, n_dao = timed(1, lambda: peer_photutils(pixels))
    floats = pixels.nbytes / 2**20
    print(f"{name}: FWHM 3 px before the pixel")
    print(f"  measure, whole command   {wall:6.2f} s wall, {cpu:5.2f} s cpu, "
          f"{memory:5.0f} MiB = {memory / floats:.1f} x the frame as float; "
          f"{frame['stars_detected']} stars, optical FWHM {frame['fwhm_optical_px']} px")
    print(f"  sep                      {t_sep:6.2f} s after {t_read:.2f} s of reading; {n_sep} "
          f"stars, half-light diameter {half:.2f} px;  sep/measure = {t_sep / wall:.1f}")
    print(f"  photutils DAOStarFinder  {t_dao:6.2f} s, detection alone; {n_dao} stars")
    print(f"  reading + two passes     {t_two:6.2f} s;  measure/this = {wall / t_two:.1f}")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeat", type=int, default=3)
    repeat = parser.parse_args().repeat
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; sep {sep.__version__}, "
          f"photutils {photutils.__version__}; medians of {repeat}")
    with tempfile.TemporaryDirectory() as folder:
        for name, stars, width, height in CASES:
            path = pathlib.Path(folder) / f"{stars}.fits"
            subprocess.run([MAKER, path, "3.0", str(stars), str(width), str(height)], check=True)
            report(name, path, repeat)
            path.unlink()


if __name__ == "__main__":
    main()
