"""What the reference tests share: where the program and the data lie, how the program is called,
frames written by astropy, a look into a book with Python's sqlite3.

Environment: NIGHTWRIGHT = path of the built command, NIGHTWRIGHT_SHARED_DATA = folder of real data
(absent: the tests that need it are skipped).
"""
import json
import os
import pathlib
import random
import re
import signal
import sqlite3
import subprocess
import time

import numpy as np
import pytest
from astropy.io import fits

TOP = pathlib.Path(__file__).resolve().parents[2]
COMMAND = pathlib.Path(os.environ.get("NIGHTWRIGHT") or TOP / "build/nightwright").absolute()
DATA = pathlib.Path(os.environ.get("NIGHTWRIGHT_SHARED_DATA") or TOP.parent / "shared/data")
RIG = TOP / "data/demo/rig.yaml"
needs_command = pytest.mark.skipif(not COMMAND.exists(), reason="nightwright is not built")
needs_data = pytest.mark.skipif(
    not DATA.is_dir(), reason="NIGHTWRIGHT_SHARED_DATA names no folder of real data")


def call(program, *args, timeout=300, **more):
    """A finished process with its texts; `more` goes to subprocess.run."""
    return subprocess.run([program, *map(str, args)], capture_output=True, text=True,
                          timeout=timeout, **more)


def run(*args, **more):
    return call(COMMAND, *args, **more)


def good(*args, **more):
    """What it prints where nothing may go wrong."""
    done = run(*args, **more)
    assert done.returncode == 0, done.stderr
    return done.stdout


def answer(*args, **more):
    return json.loads(good(*args, "--json", **more))


def run_book(book, *args, **more):
    return run("book", *args, "--book", book, **more)


def answer_book(book, *args):
    return answer("book", *args, "--book", book)


def keys_of(value):
    """Of a JSON document, however deep."""
    if isinstance(value, dict):
        return set(value).union(*map(keys_of, value.values()))
    return set().union(*map(keys_of, value)) if isinstance(value, list) else set()


def undocumented(document, heading):
    """Keys that the section of docs/formats.md with this heading does not name in backticks."""
    text = (TOP / "docs/formats.md").read_text().split(heading, 1)[1]
    section = re.split(r"\n#+ ", text)[0]
    return sorted(keys_of(document) - set(re.findall(r"`([A-Za-z_0-9]+)`", section)))


class Kills:
    """`book add` killed over and over, after times that follow the machine: later where the kill
    came before there was a book, sooner where the work was done. `hits`: kills that met a book and
    work undone."""

    def __init__(self, book, source, seed, longest_s):
        self.book, self.source, self.longest_s = book, source, longest_s
        self.random = random.Random(seed)
        self.hits = self.kills = 0

    def kill(self):
        """Whether there was something left to do."""
        child = subprocess.Popen([COMMAND, "book", "add", self.source, "--book", self.book],
                                 stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(self.random.uniform(0.0, self.longest_s))
        child.kill()
        is_killed = child.wait() == -signal.SIGKILL
        self.kills += 1
        self.hits += is_killed and self.book.exists()
        self.longest_s *= 0.8 if not is_killed else 1.0 if self.book.exists() else 1.3
        return is_killed

    def begin_anew(self):
        for left in self.book.parent.glob(self.book.name + "*"):
            left.unlink()


def rows(book, sql):
    with sqlite3.connect(f"file:{book}?mode=ro", uri=True) as db:
        return db.execute(sql).fetchall()


def whole(book):
    """All that does not depend on the moment of adding."""
    return rows(book, """
        SELECT hex(sha256), frame.use, t_start_utc_s, is_double, fwhm_px, n_stars,
            (SELECT count(*) FROM zone WHERE frame_id = frame.id),
            (SELECT length(stars) FROM star_list WHERE frame_id = frame.id)
        FROM content JOIN frame ON content_id = content.id
        LEFT JOIN measure ON frame_id = frame.id ORDER BY 1""")


def write_frame(path, image, **cards):
    """As a camera writes it: 16 bits, unsigned. A key's hyphen is written as an underscore."""
    header = fits.Header()
    for key, value in cards.items():
        header[key.replace("_", "-")] = value
    pixels = np.clip(np.round(image), 0, 65535).astype(np.uint16)
    fits.writeto(path, pixels, header, overwrite=True)
    return path


def write_light(path, start, seed, fwhm_px=3.0, **cards):
    """A small field of Gaussian stars."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:160, 0:160]
    image = rng.normal(1000.0, 8.0, x.shape)
    sigma = fwhm_px / 2.3548
    peak = 4000.0 * (3.0 / fwhm_px) ** 2  # the same light, however wide
    grid = np.stack(np.meshgrid(range(20, 160, 30), range(20, 160, 30)), -1).reshape(-1, 2)
    places = grid + np.random.default_rng(99).uniform(-6, 6, grid.shape)  # the same each time
    for k, (cx, cy) in enumerate(places):
        image += peak / (1 + k) ** 0.5 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 2 / sigma**2)
    usual = {"DATE_OBS": start, "EXPTIME": 60.0, "IMAGETYP": "LIGHT", "INSTRUME": "cooled mono",
             "FILTER": "L", "OBJECT": "field one"}
    write_frame(path, np.floor(image), **{**usual, **cards})


def write_nights(folder, nights, subs, **more):
    folder.mkdir(exist_ok=True)
    for night in range(nights):
        for sub in range(subs):
            start = "2026-05-%02dT21:%02d:00" % (night + 1, sub)
            write_light(folder / f"n{night:02d}_{sub:02d}.fits", start, 100 * night + sub, **more)
