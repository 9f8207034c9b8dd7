/* panel_angle.c - which flat belongs to which light frame, and whether a slope in a light is the
 * flat's fault or the sky's.
 * Idea: an error of the flat is a fixed vector on the chip; a gradient of the sky is a fixed vector
 * on the sky and turns on the chip when tube or rotator turn. slope_i = chip + R(turn_i) sky: four
 * numbers, told apart when the turns differ; over many fields the sky's part averages out. */
#include "light/panel.h"

#include <math.h>

#include "light/sensor_internal.h"

#define TURNED_RAD 0.5       /* about 30 deg: less does not tell them apart well */
#define SAME_FIELD_RAD 0.035 /* 2 deg */
enum { LEAST_FIELDS = 4 };

double nw_flat_angle_between(double a_rad, double b_rad) {
    return fabs(remainder(a_rad - b_rad, 2.0 * NW_PI));
}

double nw_flat_turn_of(double rotation_rad, const char *side_a, const char *side_b) {
    if (!side_a[0] || !side_b[0]) {
        return remainder(rotation_rad, NW_PI);
    }
    const double of_side = strcmp(side_a, side_b) == 0 ? 0.0 : NW_PI;
    return remainder(rotation_rad - of_side, 2.0 * NW_PI);
}

size_t nw_flat_for(const struct nw_flat *flats, size_t n, const char *filter, double rotator_rad,
                   double *ret_off_rad) {
    size_t best = SIZE_MAX;
    double best_off = INFINITY;
    for (size_t i = 0; i < n; i++) {
        if (!nw_text_equal_nocase(flats[i].filter, filter) || flats[i].is_clipped) {
            continue;
        }
        const double off = nw_flat_angle_between(flats[i].rotator_rad, rotator_rad);
        if (best == SIZE_MAX || off < best_off) {
            best = i;
            best_off = isfinite(off) ? off : INFINITY;
        }
    }
    *ret_off_rad = isfinite(best_off) ? best_off : NAN;
    return best;
}

static bool is_turned(const struct nw_flat_slope *s, size_t n) {
    for (size_t i = 1; i < n; i++) {
        if (nw_flat_angle_between(s[i].turn_rad, s[0].turn_rad) > TURNED_RAD) {
            return true;
        }
    }
    return false;
}

static size_t count_fields(const struct nw_flat_slope *s, size_t n) {
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        bool is_new = isfinite(s[i].ra_rad) && isfinite(s[i].dec_rad);
        for (size_t k = 0; k < i && is_new; k++) {
            const double dx = remainder(s[i].ra_rad - s[k].ra_rad, 2.0 * NW_PI) * cos(s[i].dec_rad);
            is_new = !(hypot(dx, s[i].dec_rad - s[k].dec_rad) < SAME_FIELD_RAD);
        }
        count += is_new;
    }
    return count;
}

enum { MAX_SLOPES = 500 };

/* x and y of each frame are two rows of four unknowns. */
static void solve_turns(const struct nw_flat_slope *s, size_t n, struct nw_flat_error *ret) {
    double x[8 * MAX_SLOPES];
    double y[2 * MAX_SLOPES];
    double w[2 * MAX_SLOPES];
    struct sensor_line line = {.n = 2 * n, .k = 4, .x = x, .y = y, .w = w};
    for (size_t i = 0; i < n; i++) {
        const double c = cos(s[i].turn_rad);
        const double q = sin(s[i].turn_rad);
        const double rows[8] = {1.0, 0.0, c, q, 0.0, 1.0, -q, c};
        memcpy(x + 8 * i, rows, sizeof rows);
        y[2 * i] = s[i].x;
        y[2 * i + 1] = s[i].y;
        w[2 * i] = w[2 * i + 1] = 1.0;
    }
    ret->is_told = sensor_line_fit(&line);
    if (!ret->is_told) {
        nw_text_copy(ret->why_null, sizeof ret->why_null, "the turns do not tell them apart");
        return;
    }
    const double scatter2 = line.n > 4 ? line.chi2 / (double)(line.n - 4) : NAN;
    ret->chip_x = line.b[0];
    ret->chip_y = line.b[1];
    ret->sky_x = line.b[2];
    ret->sky_y = line.b[3];
    ret->chip_sigma = sqrt(scatter2 * line.covariance[0][0]);
}

void nw_flat_error_of(const struct nw_flat_slope *slopes, size_t n, struct nw_flat_error *ret) {
    *ret = (struct nw_flat_error){
        .chip_x = NAN, .chip_y = NAN, .chip_sigma = NAN, .sky_x = NAN, .sky_y = NAN};
    n = n < MAX_SLOPES ? n : MAX_SLOPES;
    const size_t n_fields = count_fields(slopes, n);
    if (n >= 2 && is_turned(slopes, n)) {
        nw_text_copy(ret->by, sizeof ret->by, "frames turned against each other");
        solve_turns(slopes, n, ret);
        return;
    }
    if (n_fields >= LEAST_FIELDS) {
        double sum[2] = {0.0, 0.0};
        double sum2 = 0.0;
        for (size_t i = 0; i < n; i++) {
            sum[0] += slopes[i].x / (double)n;
            sum[1] += slopes[i].y / (double)n;
        }
        for (size_t i = 0; i < n; i++) {
            sum2 += pow(slopes[i].x - sum[0], 2.0) + pow(slopes[i].y - sum[1], 2.0);
        }
        ret->is_told = true;
        ret->chip_x = sum[0];
        ret->chip_y = sum[1];
        ret->chip_sigma = sqrt(0.5 * sum2 / (double)(n - 1) / (double)n_fields);
        (void)snprintf(ret->by, sizeof ret->by, "the mean of %zu fields", n_fields);
        return;
    }
    (void)snprintf(ret->why_null, sizeof ret->why_null,
                   "an error of the flat and a gradient of the sky look alike in one field and one "
                   "attitude: needs both tube sides, a turned rotator, or %d fields (here %zu)",
                   LEAST_FIELDS, n_fields);
}
