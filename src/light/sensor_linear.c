/* sensor_linear.c - small least squares; linearity from exposures; where the counts or wells end.
 * Idea: ln(y / t) = a + bend y + drift time + shutter / t over the flats of one filter: each term
 * is fitted, so that a lamp that drifts steadily is no bend unless exposures rose with time
 * throughout; then its error says so. Counts end where many pixels share the top value; wells end
 * where the noise collapses although the level is high (Janesick 2007, ch. 5; EMVA 1288 R3.1
 * sec. 6.6). */
#include "light/sensor_internal.h"

#include <gsl/gsl_linalg.h>
#include <math.h>

#define SHARE_AT_TOP 1e-3 /* of the pixels on one code: noise puts about one pixel there */
#define COLLAPSE 0.5      /* of the slope of noise against light at small signals */

bool sensor_line_fit(struct sensor_line *line) {
    double normal[16] = {0};
    double right[4] = {0};
    for (size_t i = 0; i < line->n; i++) {
        const double *const row = line->x + i * line->k;
        for (size_t p = 0; p < line->k; p++) {
            right[p] += line->w[i] * row[p] * line->y[i];
            for (size_t q = 0; q < line->k; q++) {
                normal[p * line->k + q] += line->w[i] * row[p] * row[q];
            }
        }
    }
    double scale[4];
    for (size_t p = 0; p < line->k; p++) {
        scale[p] = sqrt(normal[p * line->k + p]);
        if (!(scale[p] > 0.0)) {
            return false;
        }
    }
    for (size_t p = 0; p < line->k; p++) {
        for (size_t q = 0; q < line->k; q++) {
            normal[p * line->k + q] /= scale[p] * scale[q];
        }
        right[p] /= scale[p];
    }
    gsl_matrix_view matrix = gsl_matrix_view_array(normal, line->k, line->k);
    if (gsl_linalg_cholesky_decomp1(&matrix.matrix) != 0) {
        return false;
    }
    for (size_t p = 0; p < line->k; p++) {
        if (!(normal[p * line->k + p] > 1e-5)) {
            return false;
        }
    }
    gsl_linalg_cholesky_invert(&matrix.matrix);
    for (size_t p = 0; p < line->k; p++) {
        line->b[p] = 0.0;
        for (size_t q = 0; q < line->k; q++) {
            line->b[p] += normal[p * line->k + q] * right[q] / scale[p];
            line->covariance[p][q] = normal[p * line->k + q] / (scale[p] * scale[q]);
        }
    }
    line->chi2 = 0.0;
    for (size_t i = 0; i < line->n; i++) {
        double miss = line->y[i];
        for (size_t p = 0; p < line->k; p++) {
            miss -= line->b[p] * line->x[i * line->k + p];
        }
        line->chi2 += line->w[i] * miss * miss;
    }
    return true;
}

double nw_sensor_deviation_percent(double bend_per_adu, double full_adu) {
    enum { STEPS = 90 };
    double gain_sum = 0.0; /* y / S = exp(bend y) */
    double gain2_sum = 0.0;
    for (int i = 0; i <= STEPS; i++) {
        const double slope = exp(bend_per_adu * full_adu * (0.05 + 0.9 * i / STEPS));
        gain_sum += 1.0 / slope;
        gain2_sum += 1.0 / (slope * slope);
    }
    const double line = gain_sum / gain2_sum; /* least of sum (line / slope - 1)^2 */
    double most = 0.0;
    for (int i = 0; i <= STEPS; i++) {
        const double y = full_adu * (0.05 + 0.9 * i / STEPS);
        most = fmax(most, fabs(exp(bend_per_adu * y) / line - 1.0));
    }
    return 100.0 * most;
}

/* ---- Where it ends ---- */

/* Level of the brightest tenth of the tiles of a site: what vignetting leaves unsaturated is out.
 */
static double bright_tiles(const struct sensor_pair *p, size_t s, double offset, double *ret_sd) {
    double *const v = nw_calloc(p->n_tiles, sizeof *v);
    size_t n = 0;
    for (size_t t = 0; v && t < p->n_tiles; t++) {
        const double mean = p->tiles[t * p->n_sites + s].mean[0];
        if (isfinite(mean)) {
            v[n++] = mean - offset;
        }
    }
    double level = NAN;
    *ret_sd = NAN;
    if (n > 0) {
        nw_stat_sort(v, n);
        level = v[(size_t)(0.9 * (double)(n - 1))];
        *ret_sd = v[n - 1] - v[(size_t)(0.8 * (double)(n - 1))];
    }
    free(v);
    return level;
}

static bool find_clipped(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    double top = 0.0;
    for (size_t i = 0; i < work->n_pairs; i++) {
        const struct sensor_pair *const p = &work->pairs[i];
        if (work->frames[p->a].use != NW_USE_FLAT) {
            continue;
        }
        for (size_t k = 0; k < (p->a == p->b ? 1U : 2U); k++) {
            if (p->share_at_top[k] > SHARE_AT_TOP) {
                work->is_clipped[k ? p->b : p->a] = true;
                top = fmax(top, p->top_adu[k]);
            }
        }
    }
    if (!(top > 0.0)) {
        return false;
    }
    out->full_scale_limit = "adc";
    sensor_value_set(&out->full_scale_adu, top - sensor_site_mean(work->offset_adu, out->n_sites),
                     out->offset_adu.sigma);
    return true;
}

/* Slope of the faintest pair of a site, and its level. */
static void faintest(const struct sensor_work *work, size_t site, double *ret_K, double *ret_m) {
    *ret_K = NAN;
    *ret_m = INFINITY;
    for (size_t i = 0; i < work->n_pairs; i++) {
        const struct sensor_pair *const p = &work->pairs[i];
        const double m = p->mean[0][site] - work->offset_adu[site];
        double K = NAN;
        double sigma = NAN;
        if (work->frames[p->a].use == NW_USE_FLAT && p->a != p->b && m < *ret_m &&
            sensor_pair_slope(work, p, site, &K, &sigma)) {
            *ret_m = m;
            *ret_K = K;
        }
    }
}

/* Pairs whose noise collapses at one site: its wells are full. The colours fill one by one. */
static void find_full_wells(struct sensor_work *work, size_t site) {
    struct nw_sensor *const out = work->out;
    double K_low = NAN;
    double m_low = NAN;
    faintest(work, site, &K_low, &m_low);
    for (size_t i = 0; i < work->n_pairs; i++) {
        const struct sensor_pair *const p = &work->pairs[i];
        double K = NAN;
        double sigma = NAN;
        if (work->frames[p->a].use != NW_USE_FLAT || p->a == p->b) {
            continue;
        }
        (void)sensor_pair_slope(work, p, site, &K, &sigma); /* may well be below nil */
        const double m = p->mean[0][site] - work->offset_adu[site];
        if (m > 2.0 * m_low && K < COLLAPSE * K_low) {
            double sd = NAN;
            const double level = bright_tiles(p, site, work->offset_adu[site], &sd);
            work->is_clipped[p->a] = work->is_clipped[p->b] = true;
            if (!(out->full_scale_adu.v >= level)) {
                out->full_scale_limit = "well";
                sensor_value_set(&out->full_scale_adu, level, sd);
            }
        }
    }
}

void sensor_find_ceiling(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    sensor_value_why(&out->full_scale_adu, "no flat reaches it: expose two flats until nothing "
                                           "grows any more");
    if (!find_clipped(work)) {
        for (size_t site = 0; site < out->n_sites; site++) {
            find_full_wells(work, site);
        }
    }
}

void sensor_find_full_scale(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    const double gain = out->gain_e_per_adu.v;
    const double bend = isfinite(out->bend_per_adu) ? out->bend_per_adu : 0.0;
    double brightest = 0.0;
    for (size_t k = 0; k < out->n_levels; k++) {
        brightest = out->levels[k].is_used ? fmax(brightest, out->levels[k].mean_adu) : brightest;
    }
    out->brightest_e = brightest > 0.0 ? gain * brightest * exp(-bend * brightest) : NAN;
    const struct nw_sensor_value *const adu = &out->full_scale_adu;
    if (isfinite(gain) && isfinite(adu->v)) {
        const double e = gain * adu->v * exp(-bend * adu->v);
        const double bend_sigma = isfinite(out->bend_sigma_per_adu) ? out->bend_sigma_per_adu : 0.0;
        sensor_value_set(&out->full_scale_e, e,
                         e * sqrt(pow(out->gain_e_per_adu.sigma / gain, 2.0) +
                                  pow(adu->sigma / adu->v, 2.0) + pow(bend_sigma * adu->v, 2.0)));
    } else {
        sensor_value_why(&out->full_scale_e, isfinite(gain) ? adu->why_null : "needs the gain");
    }
    const double full = isfinite(adu->v) ? adu->v : brightest;
    if (out->nonlinearity_from && full > 0.0) {
        sensor_value_set(&out->nonlinearity_percent,
                         nw_sensor_deviation_percent(out->bend_per_adu, full),
                         nw_sensor_deviation_percent(out->bend_sigma_per_adu, full));
    } else {
        sensor_value_why(&out->nonlinearity_percent,
                         "needs flats at three levels that differ by two times and more");
    }
}

/* ---- Linearity by exposures ---- */

enum { MAX_FLATS = 256 };
struct flats {
    double t_s[MAX_FLATS], y[MAX_FLATS], when_h[MAX_FLATS];
    size_t n, n_exposures;
};

static const char *common_filter(const struct sensor_work *work) {
    const char *best = "";
    size_t best_n = 0;
    for (size_t i = 0; i < work->n; i++) {
        size_t n = 0;
        for (size_t k = 0; k < work->n; k++) {
            n += work->is_taken[i] && work->is_taken[k] && work->frames[i].use == NW_USE_FLAT &&
                 work->frames[k].use == NW_USE_FLAT &&
                 strcmp(work->frames[i].facts.filter, work->frames[k].facts.filter) == 0;
        }
        if (n > best_n) {
            best_n = n;
            best = work->frames[i].facts.filter;
        }
    }
    return best;
}

static size_t brightest_site(const struct sensor_work *work, size_t frame) {
    size_t best = 0;
    for (size_t s = 1; s < work->out->n_sites; s++) {
        best = work->level_adu[frame][s] > work->level_adu[frame][best] ? s : best;
    }
    return best;
}

static void gather_flats(const struct sensor_work *work, struct flats *flats) {
    const char *const filter = common_filter(work);
    const double full = work->out->full_scale_adu.v;
    double first_s = NAN;
    size_t site = NW_SENSOR_SITES;
    for (size_t i = 0; i < work->n && flats->n < MAX_FLATS; i++) {
        const struct nw_sensor_frame *const f = &work->frames[i];
        if (!work->is_taken[i] || f->use != NW_USE_FLAT || work->is_clipped[i] ||
            strcmp(f->facts.filter, filter) != 0 || !(f->facts.exposure_s > 0.0) ||
            !isfinite(work->level_adu[i][0])) {
            continue;
        }
        site = site == NW_SENSOR_SITES ? brightest_site(work, i) : site;
        const double y = work->level_adu[i][site] - work->offset_adu[site];
        if (!(y > 0.0) || y > 0.95 * full) {
            continue;
        }
        first_s = isfinite(first_s) ? first_s : work->t_s[i];
        bool is_new = true;
        for (size_t k = 0; k < flats->n; k++) {
            is_new = is_new && fabs(f->facts.exposure_s / flats->t_s[k] - 1.0) > 0.05;
        }
        flats->n_exposures += is_new;
        flats->t_s[flats->n] = f->facts.exposure_s;
        flats->when_h[flats->n] = (work->t_s[i] - first_s) / 3600.0;
        flats->y[flats->n++] = y;
    }
}

static bool fit_exposures(const struct flats *flats, bool has_time, struct sensor_line *line) {
    double x[4 * MAX_FLATS];
    double y[MAX_FLATS];
    double w[MAX_FLATS];
    *line = (struct sensor_line){.n = flats->n, .k = has_time ? 3 : 2, .x = x, .y = y, .w = w};
    const bool has_shutter = flats->n_exposures >= 5 && flats->n >= line->k + 4;
    line->k += has_shutter;
    for (size_t i = 0; i < flats->n; i++) {
        double *const row = x + i * line->k;
        row[0] = 1.0;
        row[1] = flats->y[i];
        if (has_time) {
            row[2] = flats->when_h[i];
        }
        if (has_shutter) {
            row[line->k - 1] = 1.0 / flats->t_s[i];
        }
        y[i] = log(flats->y[i] / flats->t_s[i]);
        w[i] = 1.0;
    }
    const bool is_done = flats->n > line->k && sensor_line_fit(line);
    line->x = line->y = line->w = NULL;
    return is_done;
}

void sensor_find_linearity(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    struct flats flats = {.n = 0};
    struct sensor_line line;
    gather_flats(work, &flats);
    bool has_time = flats.n > 0;
    for (size_t i = 0; i < flats.n; i++) {
        has_time = has_time && isfinite(flats.when_h[i]);
    }
    sensor_value_why(&out->lamp_scatter_percent, "needs flats at three exposures, five in all");
    sensor_value_why(&out->lamp_drift_percent_h, "needs flats at three exposures with times, of "
                                                 "one filter");
    if (flats.n_exposures < 3 || flats.n < 5 || !fit_exposures(&flats, has_time, &line)) {
        return;
    }
    const double scatter2 = line.chi2 / (double)(flats.n - line.k);
    const double dof = (double)(flats.n - line.k);
    sensor_value_set(&out->lamp_scatter_percent, 100.0 * sqrt(scatter2),
                     100.0 * sqrt(scatter2 / (2.0 * dof)));
    if (has_time) {
        sensor_value_set(&out->lamp_drift_percent_h, 100.0 * line.b[2],
                         100.0 * sqrt(scatter2 * line.covariance[2][2]));
    }
    const double sigma = sqrt(scatter2 * line.covariance[1][1]);
    const double reach = isfinite(out->full_scale_adu.v) ? out->full_scale_adu.v : flats.y[0];
    if (out->nonlinearity_from &&
        fabs(line.b[1] - out->bend_per_adu) > 4.0 * hypot(sigma, out->bend_sigma_per_adu)) {
        sensor_note(out,
                    "the noise bends with the level by %.2f %% of full scale more than "
                    "the exposures do: charge that neighbours share, or a lamp that drifts "
                    "unsteadily",
                    100.0 * fabs(line.b[1] - out->bend_per_adu) * reach);
    }
    if (scatter2 < 0.05 * 0.05 &&
        (!out->nonlinearity_from || sigma < out->bend_sigma_per_adu || sigma * reach < 0.005)) {
        out->bend_per_adu = line.b[1];
        out->bend_sigma_per_adu = sigma;
        out->nonlinearity_from = "exposures";
    }
}
