/* sky.c - altitude, airmass and moonlight of 1,000 targets over 1,440 minutes: ours beside plain
 * loops over erfa, in one run. bench/sky.py adds astropy and prints the table.
 * usage: bench_sky [targets]    (ninja -C build bench_sky)
 * Prints "name seconds worst_arcsec" lines: worst altitude difference to the plainest loop on a
 * sample. Loops: `plain` calls eraAtco13 for each target and minute (a sample of 20 targets,
 * scaled); `prepared` calls eraApco13 once a minute, then eraAtciqz and eraAtioq, and the same
 * formulas. */
#include <erfa.h>
#include <math.h>
#include <stdio.h>

#include "sky/bright.h"

enum { MINUTES = 1440, SAMPLE = 20 };
#define START_s 1.7810e9
#define K_MAG 0.19

static double now_s(void) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static const struct nw_observer SITE = {
    .place = {-32.18 * NW_RAD_PER_DEG, 146.52 * NW_RAD_PER_DEG, 437.0},
    .air = {96000.0, 282.0, 0.65},
    .ut1_utc_s = 0.0};

static double moon_part(const struct nw_sky_moment *m, const struct nw_pointing *moon,
                        double altitude, double azimuth) {
    const double rho = eraSeps(azimuth, altitude, moon->azimuth_rad, moon->altitude_rad);
    return nw_sky_moonlight_nl(m->moon_phase_rad, rho, 0.5 * NW_PI - altitude,
                               0.5 * NW_PI - m->moon_altitude_rad, K_MAG);
}

/* The plainest loop; altitude in ret. */
static double plain(const struct nw_sky_direction *t, const struct nw_sky_moment *m, double *ret) {
    double sum = 0.0;
    for (int k = 0; k < SAMPLE; k++) {
        for (int i = 0; i < MINUTES; i++) {
            double az = 0.0;
            double z = 0.0;
            double other[4];
            const double s = START_s + 60.0 * i;
            struct nw_pointing moon;
            nw_sky_look_apparent(&m[i], m[i].moon, &moon);
            (void)eraAtco13(t[k].ra_rad, t[k].dec_rad, 0, 0, 0, 0, 2440587.5, s / 86400.0, 0.0,
                            SITE.place.longitude_rad, SITE.place.latitude_rad, 437.0, 0, 0, 960.0,
                            8.85, 0.65, 0.55, &az, &z, &other[0], &other[1], &other[2], &other[3]);
            ret[k * MINUTES + i] = 0.5 * NW_PI - z;
            sum += nw_sky_airmass(0.5 * NW_PI - z) + moon_part(&m[i], &moon, 0.5 * NW_PI - z, az);
        }
    }
    return sum;
}

static double prepared(const struct nw_sky_direction *t, size_t n, const struct nw_sky_moment *m,
                       float *ret) {
    double sum = 0.0;
    for (int i = 0; i < MINUTES; i++) {
        eraASTROM astrom;
        double eo = 0.0;
        (void)eraApco13(2440587.5, (START_s + 60.0 * i) / 86400.0, 0.0, SITE.place.longitude_rad,
                        SITE.place.latitude_rad, 437.0, 0, 0, 960.0, 8.85, 0.65, 0.55, &astrom,
                        &eo);
        struct nw_pointing moon;
        nw_sky_look_apparent(&m[i], m[i].moon, &moon);
        for (size_t k = 0; k < n; k++) {
            double ra = 0.0;
            double dec = 0.0;
            double az = 0.0;
            double z = 0.0;
            double other[3];
            eraAtciqz(t[k].ra_rad, t[k].dec_rad, &astrom, &ra, &dec);
            eraAtioq(ra, dec, &astrom, &az, &z, &other[0], &other[1], &other[2]);
            ret[k * MINUTES + (size_t)i] = (float)(0.5 * NW_PI - z);
            sum += nw_sky_airmass(0.5 * NW_PI - z) + moon_part(&m[i], &moon, 0.5 * NW_PI - z, az);
        }
    }
    return sum;
}

static double worst_arcsec(const double *truth, const float *got, size_t n) {
    double worst = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (truth[i] > 5.0 * NW_RAD_PER_DEG) {
            worst = fmax(worst, fabs(truth[i] - (double)got[i]) * NW_ARCSEC_PER_RAD);
        }
    }
    return worst;
}

int main(int argc, char **argv) {
    double given = 1000.0;
    if (argc > 1 && !nw_text_to_double(argv[1], &given)) {
        return 2;
    }
    const size_t n = (size_t)given < SAMPLE ? SAMPLE : (size_t)given;
    struct nw_sky_direction *t = nw_calloc(n, sizeof *t);
    struct nw_sky_moment *m = nw_calloc(MINUTES, sizeof *m);
    float *rows = nw_calloc(4 * n * MINUTES, sizeof *rows);
    double *truth = nw_calloc((size_t)SAMPLE * MINUTES, sizeof *truth);
    if (!t || !m || !rows || !truth) {
        return 1;
    }
    for (size_t k = 0; k < n; k++) { /* evenly over the sphere */
        t[k].ra_rad = fmod((double)k * 2.399963, 2.0 * NW_PI);
        t[k].dec_rad = asin(1.0 - 2.0 * ((double)(k * 619 % n) + 0.5) / (double)n);
    }
    (void)memset(rows, 1, 4 * n * MINUTES * sizeof *rows); /* pages are there for everybody */
    struct nw_err err = {0};
    for (int threads = 1; threads <= 2; threads++) {
        const double begin = now_s();
        const struct nw_sky_rows ret = {rows, rows + n * MINUTES, rows + 2 * n * MINUTES};
        const struct nw_sky_many what = {m, MINUTES, t, n, K_MAG, threads};
        if (nw_sky_moments(&SITE, START_s, 60.0, MINUTES, m, &err) != NW_OK ||
            nw_sky_many(&what, &ret, &err) != NW_OK) {
            (void)fprintf(stderr, "%s\n", err.text);
            return 1;
        }
        (void)printf("ours-%d %.6f", threads, now_s() - begin);
        if (threads == 1) {
            (void)plain(t, m, truth);
        }
        (void)printf(" %.4f\n", worst_arcsec(truth, rows, (size_t)SAMPLE * MINUTES));
    }
    double begin = now_s();
    double sum = plain(t, m, truth);
    (void)printf("plain %.6f 0\n", (now_s() - begin) * (double)n / SAMPLE);
    begin = now_s();
    sum += prepared(t, n, m, rows + 3 * n * MINUTES);
    (void)printf("prepared %.6f %.4f\n", now_s() - begin,
                 worst_arcsec(truth, rows + 3 * n * MINUTES, (size_t)SAMPLE * MINUTES));
    free(t);
    free(m);
    free(rows);
    free(truth);
    return sum < 0.0;
}
