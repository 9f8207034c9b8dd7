/* sky_bodies.c - reads lines "t_utc_s lat_deg lon_deg elevation_m ut1_utc_s" and writes "sun_alt
 * sun_az moon_alt moon_az moon_lit" [deg, no refraction], then altitude and azimuth of the planets
 * from Mercury on; for tests/reference. */
#include <stdio.h>

#include "numbers.h"
#include "sky/almanac.h"

enum { N = 5 };

static void print_place(const struct nw_sky_moment *m, const double direction[static 3]) {
    struct nw_pointing p;
    nw_sky_look_apparent(m, direction, &p);
    (void)printf("%.9f %.9f ", p.altitude_rad * NW_DEG_PER_RAD, p.azimuth_rad * NW_DEG_PER_RAD);
}

int main(void) {
    char line[512];
    while (fgets(line, sizeof line, stdin)) {
        double v[N];
        struct nw_err err = {0};
        struct nw_sky_moment m;
        if (!read_numbers(line, v, N)) {
            (void)fprintf(stderr, "not %d numbers: %s", N, line);
            return 2;
        }
        const struct nw_observer o = {.place = {v[1] * NW_RAD_PER_DEG, v[2] * NW_RAD_PER_DEG, v[3]},
                                      .ut1_utc_s = v[4]};
        if (nw_sky_moment_at(&o, v[0], &m, &err) != NW_OK) {
            (void)fprintf(stderr, "%s\n", err.text);
            return 1;
        }
        print_place(&m, m.sun);
        print_place(&m, m.moon);
        (void)printf("%.6f", m.moon_lit);
        for (int k = 0; k < NW_N_PLANETS; k++) {
            double direction[3];
            double distance_m = 0.0;
            if (nw_sky_planet(&m, (enum nw_planet)k, direction, &distance_m, &err) != NW_OK) {
                (void)fprintf(stderr, "%s\n", err.text);
                return 1;
            }
            (void)printf(" ");
            print_place(&m, direction);
        }
        (void)printf("\n");
    }
    return 0;
}
