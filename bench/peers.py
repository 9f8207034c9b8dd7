#!/usr/bin/python3
"""peers.py - one peer on one frame, for bench/measure.py, which starts it in a process of its own.

usage: bench/peers.py sep|photutils FRAME PLACES.npy

sep does the least of what `measure` does: background, subtraction, detection, half-light radii.
photutils detects and no more. Prints the seconds for reading the frame into floats, and for the
work; writes the places (first pixel (1, 1)).
"""
import json
import sys
import time

import numpy as np


def with_sep(pixels):
    import sep
    start = time.perf_counter()
    background = sep.Background(pixels)
    clean = pixels - background
    stars = sep.extract(clean, 5.0, err=background.globalrms)
    sep.flux_radius(clean, stars["x"], stars["y"], np.full(len(stars), 9.0), 0.5)
    return time.perf_counter() - start, stars["x"], stars["y"]


def with_photutils(pixels):
    from photutils.detection import DAOStarFinder
    start = time.perf_counter()
    middle = np.median(pixels)
    noise = 1.4826 * np.median(np.abs(pixels - middle))
    stars = DAOStarFinder(fwhm=3.0, threshold=5.0 * noise)(pixels - middle)
    return time.perf_counter() - start, stars["xcentroid"], stars["ycentroid"]


def main():
    peer, path, places = sys.argv[1:]
    from astropy.io import fits
    start = time.perf_counter()
    pixels = fits.getdata(path).astype(np.float32)
    read_s = time.perf_counter() - start
    work_s, x, y = {"sep": with_sep, "photutils": with_photutils}[peer](pixels)
    np.save(places, np.column_stack([np.asarray(x) + 1.0, np.asarray(y) + 1.0]))
    print(json.dumps({"read_s": read_s, "work_s": work_s}))


if __name__ == "__main__":
    main()
