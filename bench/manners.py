#!/usr/bin/python3
"""manners.py - what a capture program notices of Nightwright working beside it.

usage: bench/manners.py [--frames N] [--every SECONDS] [--folder DIR]

A simulated capture program writes 52 MB (26 Mpx of 16 bits) every few seconds, as such programs do:
write, fsync, rename. Between two frames it does what readout costs, a fixed amount of arithmetic on
one core, and it wakes every 10 ms, as a guiding loop does. Its write latency, the time of its
arithmetic and how late it wakes are measured alone, beside `measure` in an endless loop at normal
priority, and beside the same at idle priority. Nothing is asserted: latencies belong to a machine.
"""
import argparse
import os
import pathlib
import signal
import subprocess
import sys
import tempfile
import threading
import time

import numpy as np

TOP = pathlib.Path(__file__).resolve().parent.parent
COMMAND = TOP / "build" / "nightwright"
MAKER = TOP / "build" / "tests" / "tools" / "make_frame"
MIB = 1 << 20
FRAME_BYTES = 6248 * 4176 * 2
TICK_S = 0.010
WARM_UP = 2


class Loop:
    """The command over and over until told to stop; counts the frames it measured."""

    def __init__(self, frames, priority):
        self.frames, self.priority = frames, priority
        self.measured, self.child, self.is_stopped = 0, None, False
        self.thread = threading.Thread(target=self.run)

    def run(self):
        while not self.is_stopped:
            self.child = subprocess.Popen(
                [COMMAND, "measure", "--priority", self.priority, "--json", *self.frames],
                stdout=subprocess.DEVNULL)
            if self.child.wait() == 0:
                self.measured += len(self.frames)
            elif not self.is_stopped:
                sys.exit("the command failed")

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *_):
        self.is_stopped = True
        self.child.send_signal(signal.SIGTERM)
        self.thread.join()


def capture(folder, n, every_s):
    """The capture program, in a process of its own: prints its three lists."""
    pixels = np.random.default_rng(1).integers(0, 65535, FRAME_BYTES // 2, dtype=np.uint16).data
    table = np.random.default_rng(2).random(400_000)
    writes, works, wakes = [], [], []
    start = time.perf_counter()
    for i in range(n + WARM_UP):
        due = start + (i + 1) * every_s
        while (now := time.perf_counter()) < due:
            time.sleep(TICK_S)
            wakes.append(time.perf_counter() - now - TICK_S)
        begin = time.perf_counter()
        for _ in range(10):
            np.sort(table)
        works.append(time.perf_counter() - begin)
        begin = time.perf_counter()
        part = pathlib.Path(folder, f"capture-{i}.part")
        with open(part, "wb", buffering=0) as file:
            file.write(pixels)
            os.fsync(file.fileno())
        part.rename(part.with_suffix(".raw"))
        writes.append(time.perf_counter() - begin)
        part.with_suffix(".raw").unlink()
        if i == WARM_UP - 1:  # the disk and the allocator have found their feet
            writes, works, wakes = [], [], []
    return writes, works, wakes


def describe(name, values, unit=1e3):
    ordered = sorted(values)
    at = lambda q: ordered[min(len(ordered) - 1, int(q * len(ordered)))] * unit
    return f"{name} {at(0.5):8.1f} {at(0.95):8.1f} {ordered[-1] * unit:8.1f}"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--frames", type=int, default=100, help="written in each of the three runs")
    parser.add_argument("--every", type=float, default=1.0, help="seconds between two frames")
    parser.add_argument("--folder", help="on the disk to be tried; else a temporary one")
    parser.add_argument("--capture", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.capture:
        for values in capture(options.folder, options.frames, options.every):
            print(*values)
        return
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        stars = []
        for i in range(2):
            stars.append(os.path.join(folder, f"stars-{i}.fits"))
            subprocess.run([MAKER, stars[-1], "3.2", "10000", "6248", "4176"], check=True)
        print(f"{options.frames} frames of {FRAME_BYTES / MIB:.0f} MiB, one every "
              f"{options.every:g} s; load before: {os.getloadavg()[0]:.1f}; milliseconds\n")
        print(f"{'beside it':26}{'':17}   median      95 %  longest   frames measured")
        for label, priority in (("nothing", None), ("measure, normal priority", "normal"),
                                ("measure, idle priority", "idle")):
            command = [sys.executable, __file__, "--capture", "--folder", folder,
                       "--frames", str(options.frames), "--every", str(options.every)]
            if priority:
                with Loop(stars, priority) as loop:
                    out = subprocess.run(command, check=True, capture_output=True, text=True).stdout
                measured = str(loop.measured)
            else:
                out = subprocess.run(command, check=True, capture_output=True, text=True).stdout
                measured = "-"
            lists = [[float(x) for x in line.split()] for line in out.splitlines()]
            for k, name in enumerate(("write and fsync", "readout's arithmetic", "wakes late by")):
                head = label if k == 0 else ""
                tail = f"   {measured}" if k == 0 else ""
                print(f"{head:26}{describe(f'{name:20}', lists[k])}{tail}")


if __name__ == "__main__":
    main()
