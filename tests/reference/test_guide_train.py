"""The guide train of the demo rig against the published formulas, written down again in numpy:
Bessell, Castelli & Plez 1998 (light of V 0), Thompson, Larson & Webb 2002 eq. 17 (error of a
place), Poisson counts of Tycho-2 densities (Hoeg+ 2000). Environment: NIGHTWRIGHT = the command.
"""
import numpy as np
import pytest
from support import RIG, answer, needs_command

pytestmark = needs_command
AS = np.degrees(1) * 3600


# of the demo rig: its refractor 60/360, guide camera and site
APERTURE_m, FOCAL_m, THROUGH, PIXEL_m, SIDES = 0.06, 0.36, 0.94, 5.86e-6, (1936, 1216)
READ_e, DARK_e_s, QE = 4.0, 0.08, 0.75
SEEING, EXTINCTION, SKY, AIRMASS = 2.0, 0.19, 21.4, 1.25


@pytest.fixture(scope="module")
def lines():
    budget = answer("check", RIG, "--budget", "guide_train")["budgets"][0]
    return {line["id"]: line for line in budget["lines"]}


@pytest.fixture(scope="module")
def train():
    scale = PIXEL_m / FOCAL_m * AS
    fwhm = np.hypot(SEEING * AIRMASS**0.6, 550e-9 / APERTURE_m * AS)
    eta = 10 ** (-0.4 * EXTINCTION * AIRMASS) * THROUGH * QE

    def rate(mag):  # 995.5 photons/s/cm2/A at V 0, over 300 nm
        return 995.5 * 1e4 * 3000 * 10 ** (-0.4 * mag) * np.pi / 4 * APERTURE_m**2 * eta

    def place(mag, seconds):
        n = rate(mag) * seconds
        b2 = (rate(SKY) * scale**2 + DARK_e_s) * seconds + READ_e**2
        s = fwhm / 2.354820045
        return np.sqrt((s**2 + scale**2 / 12) / n + 8 * np.pi * s**4 * b2 / scale**2 / n**2)
    return place, np.prod(SIDES) * (scale / 3600) ** 2


def test_places_by_magnitude_and_exposure(lines, train):
    for mag in (8, 10, 12):
        for seconds in (1, 2, 4):
            line = lines[f"place_{mag}_{seconds}_s"]
            assert line["unit"] == "arcsec"
            assert line["predicted"] == pytest.approx(train[0](mag, seconds), rel=1e-3)


def test_chances_are_those_of_the_counts(lines, train):
    # 25, 50 and 150 stars a square degree to V 11.5 at the pole, at 30 deg and in the plane
    assert lines["field"]["predicted"] == pytest.approx(train[1], rel=1e-4)
    assert lines["limit"]["predicted"] > 11.5  # counted no further
    for latitude, density in ((90, 25), (30, 50), (0, 150)):
        assert lines[f"chance_{latitude}"]["predicted"] == pytest.approx(
            -100 * np.expm1(-density * train[1]), abs=1e-6)
