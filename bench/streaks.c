/* streaks.c - how often a clean frame shows a trail, and which trails are found: small simulated
 * frames by the thousand. Its result stands in docs/models.md.
 *     ninja -C build bench_streaks && build/bench_streaks 1000 */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "image/image.h"

enum { WIDTH = 500, HEIGHT = 400 };
static const double SIGMA = 10.0;

static void add_star(float *px, double x, double y, double flux) {
    const double a2 = 6.0; /* Moffat, beta 3: FWHM 2 sqrt(a2 (2^(1/3) - 1)) = 2.5 px */
    for (long j = lround(y) - 30; j <= lround(y) + 30; j++) {
        for (long i = lround(x) - 30; i <= lround(x) + 30; i++) {
            if (i >= 0 && j >= 0 && i < WIDTH && j < HEIGHT) {
                const double dx = (double)i - x;
                const double dy = (double)j - y;
                const double q = 1.0 + (dx * dx + dy * dy) / a2;
                px[j * WIDTH + i] += (float)(flux * 2.0 / (NW_PI * a2) / (q * q * q));
            }
        }
    }
}

static void add_trail(float *px, gsl_rng *rng, double sigmas) {
    const double angle = NW_PI * gsl_rng_uniform(rng);
    const double cx = WIDTH * (0.2 + 0.6 * gsl_rng_uniform(rng));
    const double cy = HEIGHT * (0.2 + 0.6 * gsl_rng_uniform(rng));
    for (long y = 0; y < HEIGHT; y++) {
        for (long x = 0; x < WIDTH; x++) {
            const double across = ((double)y - cy) * cos(angle) - ((double)x - cx) * sin(angle);
            const double s = 3.0 / NW_FWHM_PER_SIGMA;
            px[y * WIDTH + x] += (float)(sigmas * SIGMA * exp(-0.5 * across * across / (s * s)));
        }
    }
}

static size_t streaks_of(gsl_rng *rng, int n_stars, double sigmas) {
    float *const px = malloc(sizeof *px * WIDTH * HEIGHT);
    if (!px) {
        return 0;
    }
    for (size_t k = 0; k < (size_t)WIDTH * HEIGHT; k++) {
        px[k] = (float)(1000.0 + gsl_ran_gaussian_ziggurat(rng, SIGMA));
    }
    for (int k = 0; k < n_stars; k++) {
        add_star(px, WIDTH * gsl_rng_uniform(rng), HEIGHT * gsl_rng_uniform(rng),
                 SIGMA * 30.0 * pow(gsl_rng_uniform_pos(rng), -0.8));
    }
    if (sigmas > 0.0) {
        add_trail(px, rng, sigmas);
    }
    char path[] = "simulated";
    struct nw_frame frame = {.path = path,
                             .width_px = WIDTH,
                             .height_px = HEIGHT,
                             .n_planes = 1,
                             .px = px,
                             .bitpix = -32,
                             .data_max_adu = NAN};
    frame.facts.saturation_adu = frame.facts.gain_e_per_adu = NAN;
    frame.facts.read_noise_e = frame.facts.exposure_s = NAN;
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    size_t n = 0;
    if (nw_measure_frame(&frame, NW_CHANNEL_MONO, "", NULL, &m, &err) == NW_OK) {
        n = m->aspects.n_streaks;
    } else {
        (void)fprintf(stderr, "%s\n", err.text);
    }
    nw_measure_free(m);
    free(px);
    return n;
}

int main(int argc, char **argv) {
    const int n_frames = argc > 1 ? (int)strtol(argv[1], NULL, 10) : 1000;
    static const struct {
        int n_stars;
        double sigmas;
    } rows[] = {{40, 0.0}, {200, 0.0}, {800, 0.0}, {40, 0.2},  {40, 0.4}, {40, 1.0},
                {40, 5.0}, {200, 1.0}, {800, 1.0}, {800, 2.0}, {800, 5.0}};
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 20);
    printf("stars  peak of the trail [sigma]  frames  with one trail  with more\n");
    for (size_t r = 0; r < sizeof rows / sizeof rows[0]; r++) {
        const int n = rows[r].sigmas > 0.0 ? n_frames / 10 : n_frames;
        int one = 0;
        int more = 0;
        for (int k = 0; k < n; k++) {
            const size_t found = streaks_of(rng, rows[r].n_stars, rows[r].sigmas);
            one += found == 1;
            more += found > 1;
        }
        printf("%5d  %25.1f  %6d  %14d  %9d\n", rows[r].n_stars, rows[r].sigmas, n, one, more);
        (void)fflush(stdout);
    }
    gsl_rng_free(rng);
    return 0;
}
