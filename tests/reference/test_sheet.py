"""The sheet for the wall: a well-formed page on which no words leave the paper or lie on others.

Read with Python's own XML parser; widths of words by 0.55 of their height a letter (DejaVu Sans,
mean of English text, measured with rsvg-convert)."""

import json
import xml.etree.ElementTree as ET

import pytest
from support import RIG, run

SVG = "{http://www.w3.org/2000/svg}"
LETTER = 0.55

SMALL = """nightwright: 1
site: {latitude: 51 deg, longitude: 7 deg}
telescopes: {a long name for a telescope with a mirror: {aperture: 250 mm, focal_length: 2500 mm}}
cameras: {c: {pixel: 3.76 um, width: 6248, height: 4176, gain: 0.25 e/adu, read_noise: 1.5 e}}
setups: {one: {telescope: a long name for a telescope with a mirror, camera: c}}
"""
SUPPLY = """circuits:
  m: {kind: mains, voltage: 230 V}
  s: {kind: supply, fed_by: m, voltage: 13.8 V, current: 15 A}
"""
LOAD = "  load number %d: {kind: load, fed_by: s, running: 1 W, wire: {length: 1 m, area: 1 mm2}}\n"


def sheet(tmp_path, text=None, *args):
    rig = RIG
    if text is not None:
        rig = tmp_path / "rig.yaml"
        rig.write_text(text)
    out = tmp_path / "sheet.svg"
    done = run("sheet", rig, "-o", out, *args)
    assert done.returncode == 0, done.stderr
    return ET.parse(out).getroot()


def words(root):
    """(text, left, top, right, bottom) of every line of text; turned ones stand upright."""
    for t in root.iter(SVG + "text"):
        size = float(t.get("font-size"))
        width = LETTER * size * len(t.text or "")
        x, y = float(t.get("x")), float(t.get("y"))
        shift = {"start": 0.0, "middle": -0.5, "end": -1.0}[t.get("text-anchor")]
        if "rotate(-90" in (t.get("transform") or ""):
            bottom = y - shift * width
            yield t.text or "", x - 0.75 * size, bottom - width, x, bottom
        else:
            yield t.text or "", x + shift * width, y - 0.75 * size, x + (1.0 + shift) * width, y


def north():
    text = RIG.read_text()
    return text.replace("latitude: -32.18 deg", "latitude: 47.5 deg")


CASES = {
    "demo": None,
    "north": north(),
    "bare": SMALL,
    "sixty loads": SMALL + SUPPLY + "".join(LOAD % i for i in range(60)),
}


@pytest.mark.parametrize("name", CASES)
def test_words_stay_on_the_paper_and_off_each_other(tmp_path, name):
    root = sheet(tmp_path, CASES[name])
    assert (root.get("width"), root.get("height")) == ("420mm", "297mm")
    assert root.get("viewBox") == "0 0 420 297"  # so a unit is a millimetre
    boxes = list(words(root))
    assert len(boxes) > 40
    for text, left, top, right, bottom in boxes:
        assert 7.0 < left and right < 413.0 and 7.0 < top and bottom < 290.0, text
    for i, a in enumerate(boxes):
        for b in boxes[i + 1:]:
            across = min(a[3], b[3]) - max(a[1], b[1])
            down = min(a[4], b[4]) - max(a[2], b[2])
            assert not (across > 0.3 and down > 0.3), (a, b)


def test_every_body_and_every_circuit_is_on_it(tmp_path):
    texts = " | ".join(t for t, *_ in words(sheet(tmp_path)))
    for name in ("main tube", "weight B", "pier", "power hub", "main camera", "dryer", "rotator",
                 "camera, face to sensor", "Ochre Saddle Observatory", "CAUTION", "1:15", "1:10"):
        assert name in texts, name
    power = json.loads(run("power", RIG, "--json").stdout)
    for circuit in power["circuits"]:
        assert circuit["name"] in texts
    hub = next(c for c in power["circuits"] if c["name"] == "power hub")
    assert "%.2f" % hub["moments"][0]["v"] in texts


def test_a_scale_is_a_scale(tmp_path):
    """The overall measure, 1018 mm at 1:10, is drawn 101.8 mm long."""
    root = sheet(tmp_path)
    lengths = [abs(float(l.get("x2")) - float(l.get("x1"))) for l in root.iter(SVG + "line")
               if abs(float(l.get("y2")) - float(l.get("y1"))) < 1e-6]
    text = [t for t, *_ in words(root)]
    assert "1018" in text
    assert any(abs(x - 101.8) < 0.06 for x in lengths)


def test_what_is_missing_is_said_in_its_place(tmp_path):
    texts = " ".join(t for t, *_ in words(sheet(tmp_path, SMALL)))
    assert "bodies.* of the rig file" in texts
    assert "circuits.* of the rig file" in texts


def test_bad_use(tmp_path):
    assert run("sheet", RIG).returncode == 2
    assert "-o FILE.svg is missing" in run("sheet", RIG).stderr
    done = run("sheet", RIG, "-o", tmp_path / "s.svg", "--setup", "dep")
    assert done.returncode == 2 and "did you mean 'deep'" in done.stderr
    assert not (tmp_path / "s.svg").exists()
    assert run("sheet", RIG, "-o", tmp_path / "no" / "s.svg").returncode != 0
