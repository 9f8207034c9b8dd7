"""`nightwright watch` through a bad night: disk full, shares that go, clocks that step back, logs
that grow, killed while it all lands. It goes on, and nothing is lost or doubled.
"""
import datetime
import os
import pathlib
import random
import resource
import shutil
import signal
import subprocess
import tempfile
import time


from test_watch import n_frames, start, stop, wait_for
from support import COMMAND, answer_book, needs_command, rows, whole, write_light

pytestmark = needs_command


def lands(folder, sub, **more):
    write_light(folder / f"{sub:02d}.fits", f"2026-05-01T21:{2 * sub:02d}:00", sub, **more)


def climate(path, n, start="2026-05-01T20:40:00"):
    """A lens that cools towards a dew point of 10 degC by 3 K an hour, a row each two minutes."""
    first = datetime.datetime.fromisoformat(start)
    text = "time,temperature_c,dew_point_c,front lens_c\n"
    for i in range(n):
        text += f"{(first + datetime.timedelta(minutes=2 * i)).isoformat()}Z,14,10,{14 - 0.1 * i}\n"
    path.write_text(text)


def test_a_full_disk_and_a_lost_page_are_outlived(tmp_path):
    lights, page, book = tmp_path / "lights", tmp_path / "page", tmp_path / "book.sqlite"
    lights.mkdir()
    page.mkdir()
    lands(lights, 0)
    child = start(lights, book, "--every", 0.2, "--page", page,
                  preexec_fn=lambda: signal.signal(signal.SIGXFSZ, signal.SIG_IGN))
    try:
        # the first pass is over with its page: a fault in it ends the watch, as a wrong name would
        assert wait_for(lambda: n_frames(book) == 1 and (page / "index.html").exists(), 10.0)
        # a limit on the size of files stands for a full disk: no new page of the book, no web page
        resource.prlimit(child.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
        page.rename(tmp_path / "gone")
        lands(lights, 1)
        time.sleep(1.0)
        assert child.poll() is None and n_frames(book) == 1
        resource.prlimit(child.pid, resource.RLIMIT_FSIZE,
                         (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        assert wait_for(lambda: n_frames(book) == 2, 10.0)
        (tmp_path / "gone").rename(page)
        lands(lights, 2)
        assert wait_for(lambda: n_frames(book) == 3, 10.0)
    finally:
        child.send_signal(signal.SIGINT)
        _, err = child.communicate(timeout=20)
    assert child.returncode == 0, err
    assert err.count("book.sqlite: cannot write") == 1  # told once, not at each pass
    assert "all right again" in err
    assert (page / "index.html").exists()
    assert answer_book(book, "check")["is_sound"]


def test_logs_are_followed_and_dew_is_told(tmp_path):
    lights, book = tmp_path / "lights", tmp_path / "book.sqlite"
    lights.mkdir()
    lands(lights, 0)
    climate(lights / "climate.csv", 10)
    before = sorted(p.name for p in lights.iterdir())
    child = start(lights, book, "--every", 0.1)
    try:
        assert wait_for(lambda: n_frames(book) == 1, 10.0)
        for n in (20, 28):  # 14 - 2.8 - 10: 1.2 K left at 3 K an hour
            climate(lights / "climate.csv", n)
            assert wait_for(lambda: rows(book, "SELECT sum(n_samples) FROM climate_run")[0][0] == n,
                            10.0)
    finally:
        out = stop(child)
    [alert] = [line for line in out.splitlines() if "ALERT    dew" in line]
    assert "front lens" in alert and "-3.0 K an hour" in alert
    # at 14 - 0.1 i the margin is nothing at row 40: 80 minutes after 20:40
    assert "dew at about 22:00 UTC" in alert
    assert len([line for line in out.splitlines() if "contact  not known" in line]) == 1
    assert sorted(p.name for p in lights.iterdir()) == before  # the folder is only read
    assert rows(book, "SELECT count(*) FROM content WHERE kind = 'climate-log'") == [(1,)]


def test_headers_tell_dew_where_no_log_does(tmp_path):
    lights, book = tmp_path / "lights", tmp_path / "book.sqlite"
    lights.mkdir()
    for sub in range(8):  # every five minutes: the tube cools by 0.25 K, 10 degC is the dew point
        write_light(lights / f"{sub}.fits", f"2026-05-01T21:{5 * sub:02d}:00", sub, AMBTEMP=15.0,
                    DEWPOINT=10.0, FOCTEMP=12.9 - 0.25 * sub)
    child = start(lights, book, "--once")
    out, err = child.communicate(timeout=20)
    assert child.returncode == 0, err
    [alert] = [line for line in out.splitlines() if "ALERT    dew" in line]
    assert "focuser, by the headers, 1." in alert and "-3.0 K an hour" in alert
    assert "dew at about 21:58 UTC" in alert  # 2.9 K at 3 K an hour
    for path in lights.iterdir():
        path.unlink()
    lands(lights, 20)
    child = start(lights, tmp_path / "other.sqlite", "--once")
    out, err = child.communicate(timeout=20)
    assert "dew      not known: no climate log of this night" in out, err


def test_clock_back_and_same_name_new_content(tmp_path):
    lights, book = tmp_path / "lights", tmp_path / "book.sqlite"
    lights.mkdir()
    lands(lights, 5)
    child = start(lights, book, "--every", 0.1)
    try:
        assert wait_for(lambda: n_frames(book) == 1, 10.0)
        lands(lights, 2)  # the PC's clock went back by six minutes
        assert wait_for(lambda: n_frames(book) == 2, 10.0)
        write_light(lights / "05.fits", "2026-05-01T21:30:00", 77)  # numbering began anew
        assert wait_for(lambda: n_frames(book) == 3, 10.0)
    finally:
        stop(child)
    clock = "SELECT strftime('%H:%M', t_start_utc_s, 'unixepoch') FROM frame ORDER BY 1"
    times = [t for t, in rows(book, clock)]
    assert times == ["21:04", "21:10", "21:30"]  # nothing lost, nothing doubled, in order


def test_killed_while_frames_and_logs_land(tmp_path):
    """`bench/watch_kills.py` does this 200 times and longer."""
    lights, book = tmp_path / "lights", tmp_path / "killed.sqlite"
    lights.mkdir()
    rng = random.Random(9)
    for kill in range(8):
        child = start(lights, book, "--every", 0.05)
        lands(lights, kill)
        climate(lights / "climate.csv", 5 + kill)
        time.sleep(rng.uniform(0.02, 0.25))
        child.kill()
        child.communicate()
    child = start(lights, book, "--minutes", 0.001)
    assert child.wait(timeout=60) == 0
    other = tmp_path / "whole.sqlite"
    answer_book(other, "add", lights)
    assert answer_book(book, "check")["is_sound"]
    assert whole(book) == whole(other) and len(whole(book)) == 8
    sql = "SELECT start_utc_s, n_samples, margin_low_K FROM climate_run ORDER BY 1"
    assert rows(book, sql) == rows(other, sql) and len(rows(book, sql)) == 1


def test_folders_that_may_only_be_read():
    """The captures of another machine, shared to be read: watched and added as any, nothing is
    written beside them. A book that cannot be written to is one clear error."""
    nobody = {"user": 65534, "group": 65534, "extra_groups": []} if os.geteuid() == 0 else {}
    with tempfile.TemporaryDirectory() as top:  # root may write anywhere, so it is not root's
        top = pathlib.Path(top)
        lights, own, command = top / "lights", top / "own", top / "nightwright"
        shutil.copy(COMMAND, command)  # the tree may lie where only its owner may look
        lights.mkdir()
        own.mkdir()
        for i in range(2):
            lands(lights, i)
        before = sorted((p.name, p.stat().st_mtime_ns) for p in lights.iterdir())
        for path in (top, own, command):
            path.chmod(0o755)
        if nobody:
            os.chown(own, nobody["user"], nobody["group"])
        lights.chmod(0o555)
        try:
            for verb in (["watch", lights, "--once"], ["book", "add", lights]):
                done = subprocess.run([command, *verb, "--book", own / "book.sqlite"], cwd=own,
                                      capture_output=True, text=True, timeout=30, **nobody)
                assert done.returncode == 0, done.stderr
            assert n_frames(own / "book.sqlite") == 2
            assert sorted((p.name, p.stat().st_mtime_ns) for p in lights.iterdir()) == before
            done = subprocess.run([command, "book", "add", lights, "--book", lights / "b.sqlite"],
                                  cwd=own, capture_output=True, text=True, timeout=30, **nobody)
            assert done.returncode != 0 and len(done.stderr.splitlines()) == 1
            assert str(lights) in done.stderr, done.stderr
            assert not (lights / "b.sqlite").exists()
        finally:
            lights.chmod(0o755)
