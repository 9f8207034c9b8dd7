/* focus_runs.c - focus runs from frames' headers and from a CSV file; see focus.h. */
#include <math.h>

#include "field/focus.h"

#define NIGHT_GAP_S (4.0 * 3600.0)
#define RUN_LEAST_S 40.0 /* beyond the usual gap between frames: no focus run is faster */

void nw_focus_runs_done(struct nw_focus_runs *runs) {
    free(runs->items);
    *runs = (struct nw_focus_runs){0};
}

static enum nw_status add(struct nw_focus_runs *runs, const struct nw_focus_run *run,
                          struct nw_err *err) {
    const enum nw_status status =
        nw_grow((void **)&runs->items, &runs->cap, runs->n + 1, sizeof *runs->items, 2000, err);
    if (status == NW_OK) {
        size_t at = runs->n++;
        for (; at > 0 && runs->items[at - 1].t_s > run->t_s; at--) {
            runs->items[at] = runs->items[at - 1];
        }
        runs->items[at] = *run;
    }
    return status;
}

static int by_start(const void *a, const void *b) {
    const struct nw_focus_frame *const x = a;
    const struct nw_focus_frame *const y = b;
    return (x->t_start_s > y->t_start_s) - (x->t_start_s < y->t_start_s);
}

static bool is_usable(const struct nw_focus_frame *f) {
    return isfinite(f->t_start_s) && isfinite(f->position_steps);
}

static double gap_before(const struct nw_focus_frame *f, size_t i) {
    const double exposure_s = isfinite(f[i - 1].exposure_s) ? f[i - 1].exposure_s : 0.0;
    return f[i].t_start_s - f[i - 1].t_start_s - exposure_s;
}

static bool is_move(const struct nw_focus_frame *f, size_t i) {
    return fabs(f[i].position_steps - f[i - 1].position_steps) > 0.5;
}

static struct nw_focus_run run_at(const struct nw_focus_frame *f, double duration_s,
                                  bool is_first) {
    struct nw_focus_run run = {.t_s = f->t_start_s,
                               .position_steps = f->position_steps,
                               .temperature_K = f->temperature_K,
                               .altitude_rad = f->altitude_rad,
                               .duration_s = duration_s,
                               .side = f->side,
                               .is_first = is_first,
                               .residual_steps = NAN};
    nw_text_copy(run.filter, sizeof run.filter, f->filter);
    return run;
}

/* Usual gap between frames of a night, and whether moves are too common to be runs. */
static double usual_gap(const struct nw_focus_frame *f, size_t n, double *work,
                        bool *ret_is_following) {
    size_t n_gaps = 0;
    size_t n_moves = 0;
    for (size_t i = 1; i < n; i++) {
        const double gap_s = gap_before(f, i);
        if (gap_s < NIGHT_GAP_S) {
            work[n_gaps++] = gap_s;
            n_moves += is_move(f, i) && strcmp(f[i].filter, f[i - 1].filter) == 0;
        }
    }
    *ret_is_following = 3 * n_moves > n_gaps && n_gaps > 2;
    return n_gaps ? nw_stat_median(work, n_gaps) : 0.0;
}

static enum nw_status walk(const struct nw_focus_frame *f, size_t n, double gap_usual_s,
                           struct nw_focus_runs *runs, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const double gap_s = i > 0 ? gap_before(f, i) : INFINITY;
        if (gap_s > NIGHT_GAP_S) {
            const struct nw_focus_run first = run_at(&f[i], NAN, true);
            status = add(runs, &first, err);
            continue;
        }
        if (!is_move(f, i)) {
            continue;
        }
        const double duration_s = gap_s - gap_usual_s;
        const bool has_time = duration_s > RUN_LEAST_S;
        const bool is_other_filter = strcmp(f[i].filter, f[i - 1].filter) != 0;
        if (is_other_filter && !has_time) {
            runs->n_offset_moves++;
        } else if (runs->is_following && !has_time) {
            runs->n_follow_moves++;
        } else {
            const struct nw_focus_run run = run_at(&f[i], has_time ? duration_s : NAN, false);
            status = add(runs, &run, err);
        }
    }
    return status;
}

enum nw_status nw_focus_runs_of_frames(struct nw_focus_frame *frames, size_t n,
                                       struct nw_focus_runs *runs, struct nw_err *err) {
    size_t n_usable = 0;
    for (size_t i = 0; i < n; i++) { /* those without time or position go behind */
        if (is_usable(&frames[i])) {
            const struct nw_focus_frame swap = frames[n_usable];
            frames[n_usable++] = frames[i];
            frames[i] = swap;
        }
    }
    if (n_usable == 0) {
        return nw_err_set(err, NW_DATA,
                          "no focuser position with a time in any of %zu frames (FOCUSPOS, "
                          "DATE-OBS)",
                          n);
    }
    double *const work = nw_calloc(n_usable, sizeof *work);
    if (!work) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", n);
    }
    qsort(frames, n_usable, sizeof *frames, by_start);
    const double gap_s = usual_gap(frames, n_usable, work, &runs->is_following);
    free(work);
    return walk(frames, n_usable, gap_s, runs, err);
}

/* ---- Log of runs ---- */

struct columns {
    double *position, *temperature, *altitude, *duration;
    int time, filter, side, way;
};

static enum nw_status number_columns(const struct nw_table *table, struct columns *c,
                                     struct nw_err *err) {
    const struct {
        struct nw_column_map map;
        double *to;
    } rows[] = {
        {{"position_steps", NW_DIM_NUMBER, NULL, 0.0, 0.0, false}, c->position},
        {{"temperature_c", NW_DIM_TEMPERATURE, "degC", 0.0, 0.0, true}, c->temperature},
        {{"altitude_deg", NW_DIM_ANGLE, "deg", 0.0, 0.0, true}, c->altitude},
        {{"duration_s", NW_DIM_TIME, "s", 0.0, 0.0, true}, c->duration},
    };
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0] && status == NW_OK; i++) {
        status = nw_table_numbers(table, &rows[i].map, rows[i].to, NULL, err);
    }
    return status;
}

static const char *cell(const struct nw_table *table, size_t row, int column) {
    return column < 0 ? "" : nw_table_cell(table, row, (size_t)column);
}

/* One of two words, or nothing. */
static enum nw_status two_words(const struct nw_table *table, size_t row, int column,
                                const char *const words[2], int *ret, struct nw_err *err) {
    const char *const text = cell(table, row, column);
    *ret = 0;
    for (int i = 0; i < 2; i++) {
        if (nw_text_equal_nocase(text, words[i])) {
            *ret = i + 1;
        }
    }
    if (*ret == 0 && text[0] && strcmp(text, "-") != 0) {
        return nw_err_set(err, NW_FORMAT, "%s:%zu: column %s is '%.20s', expected %s, %s or -",
                          nw_table_name(table), nw_table_line(table, row),
                          nw_table_column_name(table, (size_t)column), text, words[0], words[1]);
    }
    return NW_OK;
}

static enum nw_status read_row(const struct nw_table *table, size_t i, const struct columns *c,
                               struct nw_focus_runs *runs, struct nw_err *err) {
    static const char *const sides[2] = {"east", "west"};
    static const char *const ways[2] = {"in", "out"};
    struct nw_focus_run run = {.position_steps = c->position[i],
                               .temperature_K = c->temperature[i],
                               .altitude_rad = c->altitude[i],
                               .duration_s = c->duration[i],
                               .residual_steps = NAN};
    int side = 0;
    int way = 0;
    enum nw_status status = nw_time_read_iso(cell(table, i, c->time), 0.0, &run.t_s, err);
    if (status != NW_OK) {
        return nw_err_at(err, status, "%s:%zu: column time", nw_table_name(table),
                         nw_table_line(table, i));
    }
    status = two_words(table, i, c->side, sides, &side, err);
    if (status == NW_OK) {
        status = two_words(table, i, c->way, ways, &way, err);
    }
    if (status != NW_OK || !isfinite(run.position_steps)) {
        return status; /* a run that failed has no position */
    }
    run.side = (enum nw_focus_side)side;
    run.way = (enum nw_focus_way)way;
    nw_text_copy(run.filter, sizeof run.filter, cell(table, i, c->filter));
    return add(runs, &run, err);
}

enum nw_status nw_focus_runs_read(const char *path, struct nw_focus_runs *runs,
                                  struct nw_err *err) {
    struct nw_table *table = NULL;
    double *numbers = NULL;
    enum nw_status status = nw_table_read(path, &table, err);
    if (status != NW_OK) {
        goto done;
    }
    const size_t n = nw_table_n_rows(table);
    numbers = nw_calloc(4 * n + 4, sizeof *numbers);
    if (!numbers) {
        status = nw_err_set(err, NW_NOMEM, "%s: %zu rows", path, n);
        goto done;
    }
    struct columns c = {.position = numbers,
                        .temperature = numbers + n,
                        .altitude = numbers + 2 * n,
                        .duration = numbers + 3 * n,
                        .time = nw_table_column(table, "time"),
                        .filter = nw_table_column(table, "filter"),
                        .side = nw_table_column(table, "tube_side"),
                        .way = nw_table_column(table, "last_move")};
    if (c.time < 0) {
        status = nw_err_set(err, NW_NOTFOUND, "%s: no column time (ISO 8601, UTC)", path);
        goto done;
    }
    status = number_columns(table, &c, err);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        status = read_row(table, i, &c, runs, err);
    }
done:
    free(numbers);
    nw_table_free(table);
    return status;
}

/* ---- After flips and slews ---- */

#define SLEW_LEAST_RAD (15.0 * NW_RAD_PER_DEG)
enum { EACH_SIDE = 3 };

static double angle_between(const struct nw_focus_frame *a, const struct nw_focus_frame *b) {
    const double s = sin(0.5 * (b->dec_rad - a->dec_rad));
    const double t = sin(0.5 * (b->ra_rad - a->ra_rad));
    const double h = s * s + cos(a->dec_rad) * cos(b->dec_rad) * t * t;
    return 2.0 * asin(sqrt(fmin(1.0, h))); /* haversine */
}

/* Mean ln width over X^0.6 of up to three frames from `from` on, in direction `step`, all at the
 * position and in the filter of the first. */
static double level(const struct nw_focus_frame *f, size_t n, size_t from, int step) {
    double sum = 0.0;
    int count = 0;
    for (size_t i = from; i < n && count<EACH_SIDE; i = step> 0 ? i + 1 : i - 1) {
        const bool is_same = fabs(f[i].position_steps - f[from].position_steps) < 0.5 &&
                             strcmp(f[i].filter, f[from].filter) == 0;
        if (!is_same || !(f[i].width > 0.0)) {
            break; /* i wraps round below 0: then i >= n ends it */
        }
        sum += log(f[i].width) - 0.6 * log(f[i].airmass >= 1.0 ? f[i].airmass : 1.0);
        count++;
    }
    return count ? sum / count : NAN;
}

static void count_in(struct nw_focus_after *after, double change, double *sum2) {
    after->n++;
    after->change += change;
    *sum2 += change * change;
}

static void finish_after(struct nw_focus_after *after, double sum2) {
    const double n = (double)after->n;
    const double mean = after->n ? after->change / n : NAN;
    after->change = mean;
    after->sigma = after->n > 1 ? sqrt(fmax(0.0, sum2 / n - mean * mean) / (n - 1.0)) : NAN;
}

void nw_focus_after_moves(const struct nw_focus_frame *f, size_t n,
                          struct nw_focus_after *ret_flips, struct nw_focus_after *ret_slews) {
    double flips2 = 0.0;
    double slews2 = 0.0;
    *ret_flips = *ret_slews = (struct nw_focus_after){0};
    for (size_t i = 1; i < n && is_usable(&f[i]); i++) { /* sorted: the rest is not usable */
        const bool is_same = gap_before(f, i) < NIGHT_GAP_S && !is_move(f, i) &&
                             strcmp(f[i].filter, f[i - 1].filter) == 0;
        const bool is_flip = f[i].side != NW_FOCUS_SIDE_UNKNOWN &&
                             f[i - 1].side != NW_FOCUS_SIDE_UNKNOWN && f[i].side != f[i - 1].side;
        const bool is_slew = angle_between(&f[i - 1], &f[i]) > SLEW_LEAST_RAD;
        if (!is_same || !(is_flip || is_slew)) {
            continue;
        }
        const double change = level(f, n, i, 1) - level(f, n, i - 1, -1);
        if (isfinite(change)) {
            count_in(is_flip ? ret_flips : ret_slews, change, is_flip ? &flips2 : &slews2);
        }
    }
    finish_after(ret_flips, flips2);
    finish_after(ret_slews, slews2);
}
