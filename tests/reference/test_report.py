"""`nightwright report`: hours against astropy's Sun and plain sums, worth against its formula."""
import html.parser
import json

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers
from support import answer, answer_book, needs_command, rows, run, write_light

pytestmark = needs_command
iers.conf.auto_download = False
iers.conf.auto_max_age = None
SITE = {"SITELAT": 47.5, "SITELONG": 15.0}


def report(book, *args):
    return answer("report", *args, "--book", book)


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """Twelve subs of 60 s every 80 s, a gap of 15 minutes at a focus run, two wide ones."""
    folder = tmp_path_factory.mktemp("report")
    (folder / "lights").mkdir()
    minute = 0.0
    for sub in range(12):
        start = Time("2026-05-14T22:00:00") + minute * u.min
        write_light(folder / f"lights/{sub:02d}.fits", start.isot[:19], sub,
                    fwhm_px=4.0 if sub in (3, 9) else 3.0, FOCUSPOS=1000 if sub < 6 else 1010,
                    OBJECT="secret garden", **SITE)
        minute += 80 / 60 if sub != 5 else 16.0
    answer_book(folder / "book.sqlite", "add", folder / "lights")
    return folder / "book.sqlite"


def test_hours_add_up_to_the_dark(book):
    hours = report(book)["hours"]
    place = EarthLocation(lat=SITE["SITELAT"] * u.deg, lon=SITE["SITELONG"] * u.deg)
    t = Time("2026-05-14T11:00:00") + np.arange(0, 24 * 60) * u.min
    sun = get_sun(t).transform_to(AltAz(obstime=t, location=place)).alt.deg
    assert hours["dark"] == pytest.approx((sun < -18).sum() / 60, abs=2 / 60)
    assert hours["exposing"] == pytest.approx(12 / 60, abs=1e-4)
    assert hours["between_subs"] == pytest.approx(11 * 20 / 3600, abs=1e-4)
    assert hours["long_gaps"] == pytest.approx((15 * 60 - 20) / 3600, abs=1e-4)
    parts = ("exposing", "between_subs", "long_gaps", "before_first", "after_last")
    assert sum(hours[key] for key in parts) == pytest.approx(hours["dark"], abs=1e-4)


def test_the_gap_has_its_cause(book):
    [gap] = report(book)["gaps"]
    assert gap["cause"].startswith("focuser moved")
    assert gap["length_s"] == pytest.approx(900, abs=1)


def test_worth_is_its_formula(book):
    subs = {sub["number"]: sub for sub in report(book)["subs"]}
    table = rows(book, "SELECT fwhm_px, noise_adu FROM frame JOIN measure ON frame_id = frame.id "
                       "ORDER BY t_start_utc_s")
    width, noise = np.array(table).T
    best, quiet = np.quantile(width, 0.1), np.quantile(noise, 0.1)
    for i in range(12):  # King 1983: time goes with 1 / (T^-2 A sigma^2)
        sub = subs[i + 1]
        assert sub["width_percent"] == pytest.approx(100 * min(1, best / width[i]) ** 2, abs=0.1)
        assert sub["sky_percent"] == pytest.approx(100 * min(1, quiet / noise[i]) ** 2, abs=0.1)
        product = sub["width_percent"] * sub["light_percent"] * sub["sky_percent"] / 1e4
        assert sub["worth_percent"] == pytest.approx(product, abs=0.1)
    assert sorted(report(book)["subs"][i]["number"] for i in (0, 1)) == [4, 10]  # the wide ones
    assert report(book)["subs"][0]["worst"] == "width"


class Page(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.fetched = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.fetched += [v for k, v in attrs if k in ("src", "href") and v != "data:,"]


def test_the_page_stands_alone(book, tmp_path):
    rig = tmp_path / "rig.yaml"
    done = run("report", "--book", book, "--html", tmp_path / "night.html")
    assert done.returncode == 0, done.stderr
    text = (tmp_path / "night.html").read_text()
    assert 'class="n"></td>' not in text  # every number has its cell filled, be it with a dash
    page = Page()
    page.feed(text)
    assert page.tags.count("svg") == 2 and "script" not in page.tags
    assert all(link.startswith("#") for link in page.fetched)
    assert "needs --rig" in text
    assert not rig.exists()


def test_without_the_site_nothing_tells_where_or_when(book):
    text = json.dumps(report(book, "--no-site"))
    for word in ("T22", "T21", "_utc", "47.5", str(book), '"rig"', '"setup"'):
        assert word not in text, word
    done = run("report", "--book", book, "--no-site")
    assert "+0:00" in done.stdout and "22:0" not in done.stdout and "UTC" not in done.stdout


def test_what_is_not_there_is_said(book):
    done = run("report", "2026-01-01", "--book", book)
    assert done.returncode == 2 and "2026-01-01" in done.stderr and done.stdout == ""
