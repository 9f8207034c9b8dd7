/* draw.c - one star's light onto the pixels.
 * Idea: the profile is stored by phase, so that the value at any subpixel offset is a weighted sum
 * of whole rows: four-point Lagrange interpolation of 1/8 px samples in x and y, blended over the
 * nearest places of the field. The weights sum to 1 and so does every phase: flux is kept. */
#include "synth/synth_internal.h"

#include <math.h>

void nw_synth_lagrange(double t, double weights[static 4]) {
    weights[0] = -t * (t - 1.0) * (t - 2.0) / 6.0;
    weights[1] = (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0;
    weights[2] = -(t + 1.0) * t * (t - 2.0) / 2.0;
    weights[3] = (t + 1.0) * t * (t - 1.0) / 6.0;
}

/* Where the four samples for an offset lie: phase and whole pixels. */
struct taps {
    double weight[4];
    size_t phase[4];
    long cell[4]; /* box cell of the pixel that holds the star */
    long origin;  /* that pixel */
};

static struct taps taps_at(double place) {
    struct taps taps = {.origin = (long)floor(place + 0.5)};
    const double fine = SYNTH_OVER * ((double)taps.origin - place) + SYNTH_FINE / 2.0;
    const long first = (long)floor(fine);
    nw_synth_lagrange(fine - (double)first, taps.weight);
    for (int i = 0; i < 4; i++) {
        const long at = first - 1 + i;
        taps.phase[i] = (size_t)(at % SYNTH_OVER);
        taps.cell[i] = at / SYNTH_OVER;
    }
    return taps;
}

static long clip(long value, long low, long high) {
    return value < low ? low : (value > high ? high : value);
}

/* row[i] += weight * from[i], the inner loop of everything */
static void add_row(float *row, const float *from, float weight, size_t n) {
    for (size_t i = 0; i < n; i++) {
        row[i] += weight * from[i];
    }
}

static bool takes_light(const struct synth_canvas *canvas, long x, long y) {
    return canvas->pattern[(y % 2) * 2 + x % 2] == canvas->letter;
}

static void put_row(const struct synth_canvas *canvas, const float *row, long x, long y, size_t n) {
    float *to = &canvas->px[(size_t)y * canvas->width_px + (size_t)x];
    for (size_t i = 0; i < n; i++) {
        if (!canvas->pattern[0] || takes_light(canvas, x + (long)i, y)) {
            to[i] += row[i];
        }
    }
}

void nw_synth_draw_star(const struct synth_canvas *canvas, const struct synth_blend *blend,
                        const double place[static 2], double electrons, int radius_px) {
    const struct taps x = taps_at(place[0]);
    const struct taps y = taps_at(place[1]);
    const long reach = radius_px < SYNTH_BOX_PX / 2 - 2 ? radius_px : SYNTH_BOX_PX / 2 - 2;
    const long x_low = clip(x.origin - reach, 0, (long)canvas->width_px);
    const long x_high = clip(x.origin + reach + 1, 0, (long)canvas->width_px);
    const long y_low = clip(y.origin - reach, 0, (long)canvas->height_px);
    const long y_high = clip(y.origin + reach + 1, 0, (long)canvas->height_px);
    const size_t n = (size_t)(x_high > x_low ? x_high - x_low : 0);
    float row[SYNTH_BOX_PX];
    for (long py = y_low; n > 0 && py < y_high; py++) {
        memset(row, 0, n * sizeof *row);
        for (size_t k = 0; k < blend->n; k++) {
            for (int tap = 0; tap < 16; tap++) {
                const int i = tap % 4;
                const int j = tap / 4;
                const size_t phase = y.phase[j] * SYNTH_OVER + x.phase[i];
                const size_t cell = (size_t)((y.cell[j] + py - y.origin) * SYNTH_BOX_PX +
                                             x.cell[i] + x_low - x.origin);
                const double weight = electrons * blend->weights[k] * x.weight[i] * y.weight[j];
                add_row(row, &blend->nodes[k][phase * SYNTH_BOX_PX * SYNTH_BOX_PX + cell],
                        (float)weight, n);
            }
        }
        put_row(canvas, row, x_low, py, n);
    }
}
