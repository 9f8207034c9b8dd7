"""`nightwright watch`: frames that land are measured at once, whatever happens in between.

Frames are written by astropy in steps, as a capture program does; the page is parsed by Python.
"""
import html.parser
import os
import random
import re
import shutil
import signal
import subprocess
import time
from support import (COMMAND, answer, answer_book, needs_command, run, whole, write_light,
                     write_nights)

pytestmark = needs_command


def start(folder, book, *args, **more):
    return subprocess.Popen([COMMAND, "watch", folder, "--book", book, *map(str, args)],
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


def stop(child):
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=20)
    assert child.returncode == 0, err
    return out


def wait_for(test, seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if test():
            return True
        time.sleep(0.05)
    return False


def n_frames(book):
    try:
        return len(whole(book))
    except Exception:  # the book is being made
        return 0


def test_a_frame_is_in_the_book_soon_after_it_is_complete(tmp_path):
    lights = tmp_path / "lights"
    spare = tmp_path / "spare"
    write_nights(spare, 1, 3)
    lights.mkdir()
    book = tmp_path / "book.sqlite"
    child = start(lights, book)
    try:
        for i, path in enumerate(sorted(spare.iterdir())):
            data = path.read_bytes()
            with open(lights / path.name, "wb") as to:  # as a capture program writes: in pieces
                for piece in range(0, len(data), 10000):
                    to.write(data[piece:piece + 10000])
                    to.flush()
                    time.sleep(0.1)
                assert n_frames(book) == i  # not before it is whole
            # 2 s is the promise on a quiet machine; the test machine need not be one
            assert wait_for(lambda: n_frames(book) == i + 1, 10.0)
    finally:
        out = stop(child)
    assert len([line for line in out.splitlines() if " sub " in line]) == 3
    assert answer_book(book, "check")["is_sound"]


def test_new_folders_and_shares_that_come_and_go(tmp_path):
    lights = tmp_path / "lights"
    write_nights(lights, 1, 2)
    book = tmp_path / "book.sqlite"
    child = start(lights, book, "--every", 0.2)
    try:
        assert wait_for(lambda: n_frames(book) == 2, 10.0)
        (lights / "L").mkdir()
        write_light(lights / "L/x.fits", "2026-05-01T22:00:00", 50)
        assert wait_for(lambda: n_frames(book) == 3, 10.0)
        lights.rename(tmp_path / "gone")
        time.sleep(0.6)
        assert child.poll() is None  # it waits
        (tmp_path / "gone").rename(lights)
        write_light(lights / "y.fits", "2026-05-01T22:02:00", 51)
        assert wait_for(lambda: n_frames(book) == 4, 10.0)
    finally:
        stop(child)


def test_killed_at_random_moments(tmp_path):
    lights = tmp_path / "lights"
    write_nights(lights, 3, 6)
    whole_book = tmp_path / "whole.sqlite"
    answer_book(whole_book, "add", lights)
    book = tmp_path / "killed.sqlite"
    rng = random.Random(5)
    for kill in range(40):
        child = start(lights, book, "--every", 0.1)
        time.sleep(rng.uniform(0.0, 0.06))
        child.kill()
        child.communicate()
    child = start(lights, book, "--minutes", 0.001)
    assert child.wait(timeout=60) == 0
    assert answer_book(book, "check")["is_sound"]
    assert whole(book) == whole(whole_book)


class Page(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.words, self.fetched = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.fetched += [v for k, v in attrs if k in ("src", "href") and v and v != "data:,"]

    def handle_data(self, data):
        self.words.append(data)


def test_alerts_page_and_the_owners_command(tmp_path):
    lights, page = tmp_path / "lights", tmp_path / "page"
    lights.mkdir()
    page.mkdir()
    for sub in range(12):
        wide = sub >= 8
        write_light(lights / f"{sub:02d}.fits", f"2026-05-01T21:{2 * sub:02d}:00", sub,
                    fwhm_px=4.6 if wide else 3.0, OBJECT="<b>one & two</b>")
    book = tmp_path / "book.sqlite"
    called = tmp_path / "called"
    child = start(lights, book, "--minutes", 0.001, "--page", page, "--command",
                  f'echo "$NIGHTWRIGHT_ALERT: $NIGHTWRIGHT_TEXT" >> {called}')
    out, err = child.communicate(timeout=60)
    assert child.returncode == 0, err
    [wider] = re.findall(r"ALERT    width .* ([0-9]+) % wider", out)
    assert abs(int(wider) - 53) <= 3  # 4.6 / 3.0
    assert wait_for(called.exists, 5.0) and called.read_text().startswith("width: ")
    text = (page / "index.html").read_text()
    parsed = Page()
    parsed.feed(text)
    assert "script" not in parsed.tags and "b" not in parsed.tags  # escaped
    assert all(href.startswith("#") for href in parsed.fetched)  # nothing is fetched
    assert any("stars wider than they should be" in word for word in parsed.words)
    assert sorted(p.name for p in page.iterdir()) == ["index.html"]  # no temporary left


def test_the_same_is_said_after_a_restart(tmp_path):
    lights = tmp_path / "lights"
    lights.mkdir()
    for sub in range(12):
        write_light(lights / f"{sub:02d}.fits", f"2026-05-01T21:{2 * sub:02d}:00", sub,
                    fwhm_px=4.6 if sub >= 8 else 3.0)
    book = tmp_path / "book.sqlite"

    def once():
        night = answer("watch", lights, "--book", book, "--once")
        return night["schema"], night["alerts"], night["subs"]

    schema, alerts, subs = once()
    assert schema == "nightwright.watch.1" and len(subs) == 12
    assert [a["kind"] for a in alerts] == ["width"] and alerts[0]["is_on"]
    assert alerts[0]["raised_utc"] == "2026-05-01T21:21:00Z"  # the third of three ends then
    assert once() == (schema, alerts, subs)


def test_wrong_usage(tmp_path):
    done = run("watch", tmp_path / "none", "--book", tmp_path / "b", "--once")
    assert done.returncode == 2 and "no such file or folder" in done.stderr
    done = run("watch", tmp_path, "--book", tmp_path / "b", "--once")
    assert done.returncode == 2 and "no light frames" in done.stderr
    if os.geteuid() != 0:  # root may write anywhere
        shut = tmp_path / "shut"
        shut.mkdir(mode=0o500)
        done = run("watch", tmp_path, "--book", shut / "b", "--once")
        assert done.returncode == 1
    shutil.rmtree(tmp_path / "shut", ignore_errors=True)
