/* worms.c - the worm of many nights; see worms.h. */
#include "book/worms.h"

#include <math.h>
#include <stdlib.h>

#include "book/book_internal.h"
#include "book/evidence.h"
#include "guiding/findings.h"

enum { MAX_NIGHTS = 60, MAX_RUNS = 10000, LEAST_FOR_CHANGE = 4 };
/* A worm that noise alone would show less often than this. */
static const double SURE = 1e-3;
/* A jump of the phase: beyond so many sigmas of both and a twelfth of a turn. */
static const double JUMP_SIGMAS = 4.0, JUMP_RAD = NW_PI / 6.0;

/* ---- Statistics ----------------------------------------------------------------------------- */

static void find_mean(struct nw_worms *w) {
    double sum = 0.0;
    double weights = 0.0;
    for (size_t i = 0; i < w->n; i++) {
        const double weight = pow(w->runs[i].amplitude_sigma_rad, -2.0);
        sum += weight * w->runs[i].amplitude_rad;
        weights += weight;
    }
    w->mean_rad = sum / weights;
    w->mean_sigma_rad = sqrt(1.0 / weights);
    double chi2 = 0.0;
    for (size_t i = 0; i < w->n; i++) {
        chi2 += pow((w->runs[i].amplitude_rad - w->mean_rad) / w->runs[i].amplitude_sigma_rad, 2.0);
    }
    w->chi2_per_run = w->n > 1 ? chi2 / (double)(w->n - 1) : NAN;
}

/* Weighted line of the amplitude over time, its error widened by what the runs differ. */
static void find_change(struct nw_worms *w) {
    double s[5] = {0.0}; /* 1, t, tt, y, ty */
    const double zero_s = w->runs[0].start_s;
    for (size_t i = 0; i < w->n; i++) {
        const double weight = pow(w->runs[i].amplitude_sigma_rad, -2.0);
        const double t = w->runs[i].start_s - zero_s;
        const double y = w->runs[i].amplitude_rad;
        const double add[5] = {1.0, t, t * t, y, t * y};
        for (int k = 0; k < 5; k++) {
            s[k] += weight * add[k];
        }
    }
    const double det = s[0] * s[2] - s[1] * s[1];
    if (w->n_nights < LEAST_FOR_CHANGE || !(det > 0.0)) {
        return;
    }
    const double slope = (s[0] * s[4] - s[1] * s[3]) / det;
    const double at_zero = (s[3] - slope * s[1]) / s[0];
    double chi2 = 0.0;
    for (size_t i = 0; i < w->n; i++) {
        const double rest =
            w->runs[i].amplitude_rad - at_zero - slope * (w->runs[i].start_s - zero_s);
        chi2 += pow(rest / w->runs[i].amplitude_sigma_rad, 2.0);
    }
    const double wider = w->n > 2 ? fmax(1.0, chi2 / (double)(w->n - 2)) : 1.0;
    w->change_per_s = slope / w->mean_rad;
    w->change_sigma_per_s = sqrt(s[0] / det * wider) / w->mean_rad;
}

/* Circular mean of the phases from one run on, up to before another; *ret_scatter: Mardia 1972,
 * Statistics of Directional Data, eq. 2.3.13, s = sqrt(-2 ln R). */
static double circular(const struct nw_worms *w, size_t first, size_t end, double *ret_scatter) {
    double c = 0.0;
    double s = 0.0;
    double n = 0.0;
    for (size_t i = first; i < end; i++) {
        if (isfinite(w->runs[i].phase_rad)) {
            c += cos(w->runs[i].phase_rad);
            s += sin(w->runs[i].phase_rad);
            n += 1.0;
        }
    }
    const double length = n > 0.0 ? hypot(c, s) / n : NAN;
    *ret_scatter = length < 1.0 ? sqrt(-2.0 * log(length)) : 0.0;
    return n > 0.0 ? atan2(s, c) : NAN;
}

/* A jump is a run that stands apart from the mean since the last one. */
static void find_phase(struct nw_worms *w) {
    size_t first = 0;
    w->n_phases = 0;
    for (size_t i = 0; i < w->n; i++) {
        const struct nw_worm_run *const run = &w->runs[i];
        double scatter = NAN;
        if (!isfinite(run->phase_rad)) {
            continue;
        }
        w->n_phases++;
        const double mean = circular(w, first, i, &scatter);
        const double apart = remainder(run->phase_rad - mean, 2.0 * NW_PI);
        const double sigma = hypot(run->phase_sigma_rad, isfinite(scatter) ? scatter : 0.0);
        if (isfinite(mean) && fabs(apart) > fmax(JUMP_RAD, JUMP_SIGMAS * sigma)) {
            first = i;
            w->jump_rad = apart;
            nw_text_copy(w->jumped_on, sizeof w->jumped_on, run->date);
        }
    }
    w->phase_mean_rad = circular(w, first, w->n, &w->phase_scatter_rad);
}

void nw_worms_sum_up(struct nw_worms *w) {
    w->mean_rad = w->mean_sigma_rad = w->chi2_per_run = NAN;
    w->change_per_s = w->change_sigma_per_s = NAN;
    w->phase_mean_rad = w->phase_scatter_rad = w->jump_rad = NAN;
    w->jumped_on[0] = '\0';
    w->n_nights = 0;
    for (size_t i = 0; i < w->n; i++) {
        w->n_nights += i == 0 || strcmp(w->runs[i].date, w->runs[i - 1].date) != 0 ? 1 : 0;
    }
    if (w->n == 0) {
        (void)snprintf(w->why_null, sizeof w->why_null,
                       "no guide run in which the turn of the worm is surely seen (%zu looked at)",
                       w->n_left_out);
        return;
    }
    find_mean(w);
    find_change(w);
    find_phase(w);
}

/* ---- Out of the book ------------------------------------------------------------------------ */

static enum nw_status take_run(struct nw_worms *w, size_t *cap, const char *date,
                               const struct nw_guide_log *log, struct nw_err *err) {
    const struct nw_guide_opts opts = {.noise_floor_rad = NAN, .is_loop_only = true};
    struct nw_guide_analysis *a = NULL;
    struct nw_err why = {0};
    const enum nw_status analysed = nw_guide_analyse(log, &opts, &a, &why);
    if (analysed != NW_OK) {
        w->n_left_out++;
        return analysed == NW_NOMEM ? nw_err_set(err, NW_NOMEM, "%s", why.text) : NW_OK;
    }
    const struct nw_guide_period *const p = a->worm.n > 0 ? &a->worm.periods[0] : NULL;
    const bool is_sure = p && p->harmonic == 1 && a->worm.is_at_axis && p->false_alarm < SURE &&
                         p->amplitude_sigma_rad > 0.0;
    enum nw_status status = NW_OK;
    if (is_sure) {
        status = nw_grow((void **)&w->runs, cap, w->n + 1, sizeof *w->runs, MAX_RUNS, err);
    } else {
        w->n_left_out++;
    }
    if (is_sure && status == NW_OK) {
        struct nw_worm_run *const run = &w->runs[w->n++];
        *run = (struct nw_worm_run){.start_s = log->rows[0].t_s,
                                    .period_s = p->period_s,
                                    .period_sigma_s = p->period_sigma_s,
                                    .amplitude_rad = p->amplitude_rad,
                                    .amplitude_sigma_rad = p->amplitude_sigma_rad,
                                    .phase_rad = p->axis_phase_rad,
                                    .phase_sigma_rad = p->amplitude_sigma_rad / p->amplitude_rad};
        nw_text_copy(run->date, sizeof run->date, date);
    }
    nw_guide_analysis_free(a);
    return status;
}

static enum nw_status take_night(struct nw_book *book, const char *date, struct nw_worms *w,
                                 size_t *cap, struct nw_err *err) {
    struct nw_guide_runs *runs = NULL;
    enum nw_status status = nw_book_guide_runs(book, date, &runs, err);
    for (size_t i = 0; status == NW_OK && i < runs->n; i++) {
        if (runs->items[i].log->n > 0) {
            status = take_run(w, cap, date, runs->items[i].log, err);
        }
    }
    nw_guide_runs_free(runs);
    return status;
}

static enum nw_status list_nights(struct nw_book *book, const char *from, const char *to,
                                  char dates[MAX_NIGHTS][NW_BOOK_DATE], size_t *ret_n,
                                  struct nw_err *err) {
    const struct book_value values[] = {book_text(from ? from : ""), book_text(to ? to : ""),
                                        book_int(MAX_NIGHTS)};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(
        book,
        "SELECT date FROM (SELECT date FROM night WHERE date >= ?1 AND (?2 = '' OR date <= ?2) AND "
        "EXISTS (SELECT 1 FROM guide_run WHERE night_id = night.id) ORDER BY date DESC LIMIT ?3) "
        "ORDER BY date",
        values, 3, &statement, err);
    *ret_n = 0;
    while (status == NW_OK && *ret_n < MAX_NIGHTS) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        book_column_text(statement, 0, dates[(*ret_n)++], NW_BOOK_DATE);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

enum nw_status nw_worms_of(struct nw_book *book, const char *from, const char *to,
                           const struct nw_progress *progress, struct nw_worms *ret,
                           struct nw_err *err) {
    char dates[MAX_NIGHTS][NW_BOOK_DATE];
    struct nw_worms w = {.n = 0};
    size_t n = 0;
    size_t cap = 0;
    enum nw_status status = list_nights(book, from, to, dates, &n, err);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        status = take_night(book, dates[i], &w, &cap, err);
        if (progress && progress->tell && !progress->tell(progress->user, i + 1, n)) {
            break;
        }
    }
    if (status == NW_OK) {
        nw_worms_sum_up(&w);
        *ret = w;
    } else {
        nw_worms_done(&w);
    }
    return status;
}

void nw_worms_done(struct nw_worms *worms) {
    free(worms->runs);
    worms->runs = NULL;
    worms->n = 0;
}
