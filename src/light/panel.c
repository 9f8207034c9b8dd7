/* panel.c - the panel's light over its setting, and the table that follows.
 * Idea: each filter has its own rate, all share the panel's law; the rates are taken off by
 * subtracting each filter's means, the law is fitted to the rest by least squares, then the rates
 * follow. Setting for a wanted exposure by bisection within what was measured. */
#include "light/panel.h"

#include <math.h>

#include "light/sensor_internal.h"

enum { MAX_ROWS = 1000 };
#define GOOD_EXPOSURE_S 3.0 /* where there is a choice: common practice, no source */
#define ROUGH_SHARE 0.5     /* error of a rate by the filter's width alone: the panel's colour */

const char *nw_panel_flag_text(unsigned bit) {
    static const char *const TEXTS[] = {
#define X(name, bit, word, text) text,
        NW_PANEL_FLAG_LIST(X)
#undef X
    };
    return bit < sizeof TEXTS / sizeof TEXTS[0] ? TEXTS[bit] : NULL;
}

size_t nw_panel_find(const struct nw_panel *panel, const char *filter) {
    size_t i = 0;
    while (i < panel->n_filters && !nw_text_equal_nocase(panel->filters[i].name, filter)) {
        i++;
    }
    return i;
}

static bool is_usable(const struct nw_flat *f) {
    return !f->is_clipped && f->exposure_s > 0.0 && f->level_adu > 0.0 && !f->is_then;
}

struct row {
    size_t filter;
    double terms[3], y, exposure_s; /* ln s, (ln s)^2, 1 / exposure; ln(level / exposure) */
};

/* How many values differ by more than a percent. */
static size_t count_distinct(const double *values, size_t n) {
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        bool is_new = isfinite(values[i]);
        for (size_t k = 0; k < i && is_new; k++) {
            is_new = !(fabs(values[i] - values[k]) <= 0.01 * fabs(values[k]));
        }
        count += is_new;
    }
    return count;
}

static size_t take_rows(const struct nw_flat *flats, size_t n, struct nw_panel *panel,
                        struct row *rows) {
    double settings[MAX_ROWS];
    double exposures[MAX_ROWS];
    double sum = 0.0;
    size_t n_rows = 0;
    panel->setting_low = INFINITY;
    panel->setting_high = -INFINITY;
    for (size_t i = 0; i < n && n_rows < MAX_ROWS; i++) {
        const struct nw_flat *const f = &flats[i];
        size_t k = is_usable(f) ? nw_panel_find(panel, f->filter) : NW_FLAT_FILTERS;
        if (k >= NW_FLAT_FILTERS) {
            continue;
        }
        const double setting = f->setting > 0.0 ? f->setting : 1.0;
        if (k == panel->n_filters) {
            panel->filters[k] =
                (struct nw_panel_filter){.setting_low = setting, .setting_high = setting};
            nw_text_copy(panel->filters[k].name, sizeof panel->filters[k].name, f->filter);
            panel->n_filters++;
        }
        panel->filters[k].n++;
        panel->filters[k].setting_low = fmin(panel->filters[k].setting_low, setting);
        panel->filters[k].setting_high = fmax(panel->filters[k].setting_high, setting);
        panel->setting_low = fmin(panel->setting_low, setting);
        panel->setting_high = fmax(panel->setting_high, setting);
        settings[n_rows] = setting;
        exposures[n_rows] = f->exposure_s;
        sum += log(setting);
        rows[n_rows++] = (struct row){.filter = k,
                                      .terms = {log(setting), 0.0, 1.0 / f->exposure_s},
                                      .y = log(f->level_adu / f->exposure_s),
                                      .exposure_s = f->exposure_s};
    }
    panel->n_frames = n_rows;
    panel->middle_setting = n_rows ? exp(sum / (double)n_rows) : NAN;
    panel->n_settings = count_distinct(settings, n_rows);
    panel->n_exposures = count_distinct(exposures, n_rows);
    for (size_t i = 0; i < n_rows; i++) {
        rows[i].terms[0] -= log(panel->middle_setting);
        rows[i].terms[1] = rows[i].terms[0] * rows[i].terms[0];
    }
    return n_rows;
}

/* Subtracts each filter's mean of a column. */
static void centre(const struct nw_panel *panel, const struct row *rows, size_t n, double *column,
                   size_t stride) {
    for (size_t f = 0; f < panel->n_filters; f++) {
        double sum = 0.0;
        for (size_t i = 0; i < n; i++) {
            sum += rows[i].filter == f ? column[i * stride] : 0.0;
        }
        for (size_t i = 0; i < n; i++) {
            column[i * stride] -= rows[i].filter == f ? sum / (double)panel->filters[f].n : 0.0;
        }
    }
}

/* Terms by number; *ret_chi2 of the rest. False: not determined. */
static bool fit_terms(struct nw_panel *panel, const struct row *rows, size_t n, const bool *has,
                      double ret_b[static 3]) {
    double x[3 * MAX_ROWS];
    double y[MAX_ROWS];
    double w[MAX_ROWS];
    size_t which[3] = {0};
    struct sensor_line line = {.n = n, .x = x, .y = y, .w = w};
    for (size_t t = 0; t < 3; t++) {
        if (has[t]) {
            which[line.k++] = t;
        }
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t p = 0; p < line.k; p++) {
            x[i * line.k + p] = rows[i].terms[which[p]];
        }
        y[i] = rows[i].y;
        w[i] = 1.0;
    }
    for (size_t p = 0; p < line.k; p++) {
        centre(panel, rows, n, x + p, line.k);
    }
    centre(panel, rows, n, y, 1);
    const size_t used = panel->n_filters + line.k;
    double chi2 = 0.0;
    if (line.k > 0) {
        if (n <= used || !sensor_line_fit(&line)) {
            return false;
        }
        chi2 = line.chi2;
    } else {
        for (size_t i = 0; i < n; i++) {
            chi2 += y[i] * y[i];
        }
    }
    panel->scatter = n > used ? sqrt(chi2 / (double)(n - used)) : NAN;
    const double s2 = isfinite(panel->scatter) ? panel->scatter * panel->scatter : 0.0;
    for (size_t p = 0; p < line.k; p++) {
        ret_b[which[p]] = line.b[p];
        for (size_t q = 0; q < line.k; q++) {
            panel->covariance[which[p]][which[q]] = s2 * line.covariance[p][q];
        }
    }
    return true;
}

/* Terms that the frames can tell, tried from all to none. The shutter's stays only when it stands
 * out: else it would take from the law what it needs. */
static void fit_law(struct nw_panel *panel, const struct row *rows, size_t n) {
    bool has[3] = {panel->n_settings >= 2, panel->n_settings >= 3, panel->n_exposures >= 4};
    static const size_t DROPS[] = {2, 1, 0};
    double b[3] = {0.0, 0.0, 0.0};
    for (size_t drop = 0; !fit_terms(panel, rows, n, has, b) && drop < 3; drop++) {
        has[DROPS[drop]] = false;
        memset(b, 0, sizeof b);
    }
    if (has[2] && !(fabs(b[2]) > 3.0 * sqrt(panel->covariance[2][2]))) {
        has[2] = false;
        memset(b, 0, sizeof b);
        memset(panel->covariance, 0, sizeof panel->covariance);
        (void)fit_terms(panel, rows, n, has, b);
    }
    panel->has_power = has[0];
    panel->has_curve = has[1];
    panel->has_shutter = has[2];
    panel->power = b[0];
    panel->curve = b[1];
    panel->shutter_s = b[2];
    for (size_t f = 0; f < panel->n_filters; f++) {
        double sum = 0.0;
        for (size_t i = 0; i < n; i++) {
            if (rows[i].filter == f) {
                const double share = 1.0 / (double)panel->filters[f].n;
                panel->filters[f].mean[0] += rows[i].terms[0] * share;
                panel->filters[f].mean[1] += rows[i].terms[1] * share;
                sum += rows[i].y - b[0] * rows[i].terms[0] - b[1] * rows[i].terms[1] -
                       b[2] * rows[i].terms[2];
            }
        }
        panel->filters[f].ln_rate = sum / (double)panel->filters[f].n;
    }
}

static double miss_of(const struct nw_panel *p, const struct row *row) {
    return row->y - p->filters[row->filter].ln_rate - p->power * row->terms[0] -
           p->curve * row->terms[1] - p->shutter_s * row->terms[2];
}

/* Where the law itself is off at a setting, all flats at that setting are off together and more of
 * them do not help: what their means miss beyond the scatter of the flats about those means, with a
 * freedom taken by each term of the law and the level. NaN with too few settings to tell. */
static double find_lack(const struct nw_panel *p, const struct row *rows, size_t n) {
    const double terms = 1.0 + (p->has_power ? 1.0 : 0.0) + (p->has_curve ? 1.0 : 0.0);
    double groups = 0.0;
    double means2 = 0.0;  /* of the squared means of each setting */
    double within2 = 0.0; /* about those means */
    double shares = 0.0;  /* of 1 / flats at a setting */
    for (size_t i = 0; i < n; i++) {
        double count = 0.0;
        double sum = 0.0;
        double sum2 = 0.0;
        bool is_first = true;
        for (size_t k = 0; k < n; k++) {
            if (fabs(rows[k].terms[0] - rows[i].terms[0]) <= 0.01) {
                const double miss = miss_of(p, &rows[k]);
                is_first = is_first && k >= i;
                count += 1.0;
                sum += miss;
                sum2 += miss * miss;
            }
        }
        if (is_first) {
            groups += 1.0;
            means2 += sum * sum / (count * count);
            within2 += sum2 - sum * sum / count;
            shares += 1.0 / count;
        }
    }
    const double freedom = (double)n - groups - (double)p->n_filters + 1.0;
    if (!(groups > terms) || !(freedom > 0.0)) {
        return NAN;
    }
    const double lack2 = means2 / (groups - terms) - within2 / freedom * shares / groups;
    return sqrt(fmax(lack2, 0.0));
}

/* Exposure below which flats scatter twice as much, and 50 times the shutter's error. */
static void find_shortest(struct nw_panel *panel, const struct row *rows, size_t n) {
    panel->shortest_s = panel->has_shutter ? 50.0 * fabs(panel->shutter_s) : 0.0;
    static const double LIMITS_S[] = {0.1, 0.3, 1.0};
    for (size_t k = 0; k < sizeof LIMITS_S / sizeof LIMITS_S[0]; k++) {
        double sum2[2] = {0.0, 0.0};
        double count[2] = {0.0, 0.0};
        for (size_t i = 0; i < n; i++) {
            const double miss = miss_of(panel, &rows[i]);
            const size_t side = rows[i].exposure_s < LIMITS_S[k] ? 0U : 1U;
            sum2[side] += miss * miss;
            count[side] += 1.0;
        }
        if (count[0] >= 3.0 && count[1] >= 3.0 && sqrt(sum2[0] / count[0]) > 0.01 &&
            sum2[0] / count[0] > 6.0 * sum2[1] / count[1]) { /* F of few frames: past 5 % */
            panel->shortest_s = fmax(panel->shortest_s, LIMITS_S[k]);
        }
    }
}

enum nw_status nw_panel_fit(const struct nw_flat *flats, size_t n, struct nw_panel *ret,
                            struct nw_err *err) {
    struct nw_panel panel = {.n_filters = 0, .scatter = NAN, .lack = NAN};
    struct row *const rows = nw_calloc(MAX_ROWS, sizeof *rows);
    if (!rows) {
        return nw_err_set(err, NW_NOMEM, "%d flats", (int)MAX_ROWS);
    }
    const size_t n_rows = take_rows(flats, n, &panel, rows);
    if (n_rows == 0) {
        free(rows);
        return nw_err_set(err, NW_DATA,
                          "of %zu flats none has light below the ceiling and an "
                          "exposure in its header",
                          n);
    }
    fit_law(&panel, rows, n_rows);
    panel.lack = find_lack(&panel, rows, n_rows);
    find_shortest(&panel, rows, n_rows);
    free(rows);
    *ret = panel;
    return NW_OK;
}

/* ---- The table ---- */

static double ln_rate(const struct nw_panel *p, size_t like, double share, double setting) {
    const double x = log(setting / p->middle_setting);
    return p->filters[like].ln_rate + log(share) + p->power * x + p->curve * x * x;
}

static double setting_of(const struct nw_panel *p, size_t like, double share, double want) {
    double low = p->setting_low;
    double high = p->setting_high;
    for (int i = 0; i < 60; i++) {
        const double middle = sqrt(low * high);
        if (ln_rate(p, like, share, middle) < want) {
            low = middle;
        } else {
            high = middle;
        }
    }
    const double whole = round(high); /* panels count in whole steps */
    return whole >= p->setting_low && whole <= p->setting_high && whole > 0.0 ? whole : high;
}

struct nw_panel_line nw_panel_line_for(const struct nw_panel *p, size_t like, double share_of,
                                       const struct nw_panel_opts *opts) {
    struct nw_panel_line line = {.setting = NAN};
    const double share = isfinite(share_of) ? share_of : 1.0;
    const double least_s = fmax(opts->shortest_s, p->shortest_s);
    const double goal_s = fmin(fmax(GOOD_EXPOSURE_S, least_s), fmax(opts->longest_s, least_s));
    const double setting =
        p->has_power ? setting_of(p, like, share, log(opts->level_adu / goal_s)) : p->setting_high;
    const double rate = exp(ln_rate(p, like, share, setting));
    line.exposure_s = fmax(opts->level_adu / rate - p->shutter_s, 0.0);
    if (p->has_power || p->setting_high > 1.0) {
        line.setting = setting;
    }
    const double x = log(setting / p->middle_setting);
    const double *const mean = p->filters[like].mean; /* there the law's error counts for nothing */
    const double d[2] = {x - mean[0], x * x - mean[1]};
    double var = 0.0;
    for (size_t i = 0; i < 2; i++) {
        for (size_t k = 0; k < 2; k++) {
            var += d[i] * d[k] * p->covariance[i][k];
        }
    }
    const double scatter = isfinite(p->scatter) ? p->scatter : 0.02;
    var += scatter * scatter / (double)p->filters[like].n;
    line.sigma = hypot(sqrt(var), isfinite(p->lack) ? p->lack : 0.0);
    if (isfinite(share_of)) {
        line.sigma = hypot(line.sigma, ROUGH_SHARE);
        line.flags |= NW_PANEL_ESTIMATED;
    }
    line.flags |= line.exposure_s < 0.999 * least_s ? NW_PANEL_SHORT : 0U;
    line.flags |= line.exposure_s > 1.001 * opts->longest_s ? NW_PANEL_LONG : 0U;
    return line;
}
