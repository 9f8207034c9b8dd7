"""`book upkeep`: glass that loses light is told in time; the calendar is read by another library.

Frames are written by astropy; the calendar is parsed by python3-icalendar (RFC 5545).
"""
import datetime
import re

import pytest

from test_accept import write_sub
from support import answer_book, needs_command, run_book

OWN = "gutter over the door: leaves, moss and \u00e4lter nests"
pytestmark = needs_command


@pytest.fixture(scope="module")
def dusty(tmp_path_factory):
    """Eight evenings, 24 days apart, each with 1.5 % less light than the one before."""
    folder = tmp_path_factory.mktemp("dusty")
    for i in range(8):
        day = datetime.date(2026, 1, 5) + datetime.timedelta(24 * i)
        write_sub(folder / f"{i}.fits", f"{day}T21:00:00", i, light=0.985**i)
    book = folder / "book.sqlite"
    answer_book(book, "add", folder)
    return book


def test_time_to_clean(dusty):
    tasks = {t["name"]: t for t in answer_book(dusty, "upkeep")["tasks"]}
    why = tasks["lens cleaning"]["why"]
    [lost] = re.findall(r"^([0-9.]+) % of the light lost a month", why)
    assert float(lost) == pytest.approx(1.5 * 30 / 24, abs=0.25), why
    # 5 % are gone after ln 0.95 / ln 0.985 = 3.39 steps of 24 days
    due = datetime.date.fromisoformat(tasks["lens cleaning"]["due"])
    assert abs((due - datetime.date(2026, 1, 5)).days - 3.39 * 24) < 14
    assert tasks["lens cleaning"]["is_due"] and "scratch" in tasks["lens cleaning"]["caution"]
    light = answer_book(dusty, "trend", "light")
    assert light["loss_low_percent_per_month"] < 1.875 < light["loss_high_percent_per_month"]
    assert light["clean_utc"][:10] == tasks["lens cleaning"]["due"]
    answer_book(dusty, "upkeep", "done", "lens cleaning", "2026-06-20")  # all nights are before it
    tasks = {t["name"]: t for t in answer_book(dusty, "upkeep")["tasks"]}
    assert not tasks["lens cleaning"]["due"] and "cannot be told" in tasks["lens cleaning"]["why"]


def test_the_calendar(dusty, tmp_path):
    icalendar = pytest.importorskip("icalendar")
    answer_book(dusty, "upkeep", "own", OWN, "--days", 45,
                "--note", "look, " * 30 + "and then; sweep\\wash", "--caution", "ladder")
    for name in ("Dächer", "Dücher"):  # their identifiers differ, too
        answer_book(dusty, "upkeep", "own", name, "--days", 45)
    file = tmp_path / "upkeep.ics"
    listed = answer_book(dusty, "upkeep", "--calendar", file)["tasks"]
    data = file.read_bytes()
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))  # octets, folded (3.1)
    assert b"\n" not in data.replace(b"\r\n", b"")
    calendar = icalendar.Calendar.from_ical(data)
    events = {str(e["SUMMARY"]): e for e in calendar.walk("VEVENT")}
    dated = {t["name"]: t for t in listed if t["due"]}
    assert set(events) == set(dated)
    today = datetime.datetime.now(datetime.timezone.utc).date()
    for name, event in events.items():
        due = datetime.date.fromisoformat(dated[name]["due"])
        assert event["DTSTART"].dt == max(due, today)
        assert dated[name]["why"] in str(event["DESCRIPTION"])  # unfolded and unescaped again
        assert event["DTSTAMP"].dt.date() == today
        assert re.fullmatch(r"[A-Za-z0-9.-]+@nightwright", str(event["UID"]))
    own = events[OWN]
    assert "and then; sweep\\wash" in str(own["DESCRIPTION"])
    assert len({str(e["UID"]) for e in events.values()}) == len(events)
    again = tmp_path / "again.ics"
    answer_book(dusty, "upkeep", "--calendar", again)
    second = icalendar.Calendar.from_ical(again.read_bytes())
    uids = [str(e["UID"]) for e in second.walk("VEVENT")]
    assert uids == [str(e["UID"]) for e in calendar.walk("VEVENT")]  # the same names


def test_wrong_words(dusty):
    done = run_book(dusty, "upkeep", "done", "lens cleanin")
    assert done.returncode == 2 and "nearest: lens cleaning" in done.stderr
    done = run_book(dusty, "upkeep", "do", "battery")
    assert done.returncode == 2 and "expected done, own or forget" in done.stderr
