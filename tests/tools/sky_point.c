/* sky_point.c - reads lines "ra_deg dec_deg t_utc_s lat_deg lon_deg elevation_m pressure_hPa t_degC
 * humidity" and writes "altitude azimuth hour_angle dec parallactic airmass" (deg), for
 * tests/reference. */
#include <stdio.h>

#include "numbers.h"
#include "sky/sky.h"

enum { N = 9 };

int main(void) {
    char line[512];
    while (fgets(line, sizeof line, stdin)) {
        double v[N];
        struct nw_err err = {0};
        struct nw_pointing p;
        if (!read_numbers(line, v, N)) {
            (void)fprintf(stderr, "not %d numbers: %s", N, line);
            return 2;
        }
        const double deg = NW_RAD_PER_DEG;
        const struct nw_place place = {v[3] * deg, v[4] * deg, v[5]};
        const struct nw_air_state air = {v[6] * 100.0, v[7] + NW_ZERO_CELSIUS_K, v[8]};
        if (nw_sky_pointing(v[0] * deg, v[1] * deg, v[2], &place, v[6] > 0.0 ? &air : NULL, &p,
                            &err) != NW_OK) {
            (void)fprintf(stderr, "%s\n", err.text);
            return 1;
        }
        (void)printf("%.9f %.9f %.9f %.9f %.9f %.9f\n", p.altitude_rad / deg, p.azimuth_rad / deg,
                     p.hour_angle_rad / deg, p.dec_rad / deg, p.parallactic_rad / deg, p.airmass);
    }
    return 0;
}
