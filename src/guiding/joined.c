/* joined.c - many runs together; see runs.h.
 * Idea: squares add. What was logged counts by samples, motion within a sub by subs. */
#include <math.h>

#include "guiding/guiding_internal.h"
#include "guiding/runs.h"

/* A mean square under way. */
struct pool {
    double sum, weight;
};

static void add(struct pool *pool, double value, size_t weight) {
    if (isfinite(value) && weight > 0) {
        pool->sum += (double)weight * value * value;
        pool->weight += (double)weight;
    }
}

static double root(const struct pool *pool) {
    return pool->weight > 0.0 ? sqrt(pool->sum / pool->weight) : NAN;
}

static size_t subs_with_motion(const struct nw_guide_analysis *a, bool is_dec) {
    size_t n = 0;
    for (size_t i = 0; i < a->n_subs; i++) {
        n += isfinite(is_dec ? a->subs[i].dec_high_rad : a->subs[i].ra_high_rad) ? 1 : 0;
    }
    return n;
}

static struct nw_guide_joined_axis pool_axis(const struct nw_guide_result *results, size_t n,
                                             bool is_dec) {
    struct pool logged = {0};
    struct pool noise = {0};
    struct pool motion = {0};
    struct pool low = {0};
    struct pool high = {0};
    for (size_t i = 0; i < n; i++) {
        const struct nw_guide_analysis *const a = results[i].analysis;
        if (!a) {
            continue;
        }
        const struct nw_guide_axis *const axis = is_dec ? &a->dec : &a->ra;
        const size_t n_subs = subs_with_motion(a, is_dec);
        add(&logged, axis->rms_logged_rad, axis->n);
        add(&noise, axis->noise_rad, axis->n);
        add(&motion, axis->motion_in_sub_rad, n_subs);
        add(&low, axis->motion_low_rad, n_subs);
        add(&high, axis->motion_high_rad, n_subs);
    }
    return (struct nw_guide_joined_axis){root(&logged), root(&noise), root(&motion), root(&low),
                                         root(&high)};
}

struct nw_guide_joined nw_guide_pool(const struct nw_guide_result *results, size_t n) {
    struct nw_guide_joined joined = {.ra = pool_axis(results, n, false),
                                     .dec = pool_axis(results, n, true)};
    for (size_t i = 0; i < n; i++) {
        const struct nw_guide_analysis *const a = results[i].analysis;
        if (a) {
            joined.n_runs++;
            joined.n_samples += a->n_samples;
            joined.n_used += a->n_used;
            joined.n_subs += a->n_subs;
            joined.duration_s += a->duration_s;
        }
    }
    joined.total_rms_logged_rad = hypot(joined.ra.rms_logged_rad, joined.dec.rms_logged_rad);
    return joined;
}

/* ---- One log of all ---- */

struct entry {
    const struct nw_guide_log *log;
};

static int by_start(const void *a, const void *b) {
    const double x_s = ((const struct entry *)a)->log->rows[0].t_s;
    const double y_s = ((const struct entry *)b)->log->rows[0].t_s;
    return (x_s > y_s) - (x_s < y_s);
}

static enum nw_status check_dates(const struct nw_guide_runs *runs, struct nw_err *err) {
    for (size_t i = 0; runs->n > 1 && i < runs->n; i++) {
        if (!runs->items[i].log->has_dates) {
            return nw_err_set(err, NW_DATA,
                              "%s:%zu: run %zu of %zu has no dates: it cannot be laid beside the "
                              "others",
                              runs->path, runs->items[i].first_line, i + 1, runs->n);
        }
    }
    return NW_OK;
}

enum nw_status nw_guide_concat(const struct nw_guide_runs *runs, struct nw_guide_log **ret,
                               struct nw_err *err) {
    size_t n = 0;
    enum nw_status status = check_dates(runs, err);
    if (status != NW_OK) {
        return status;
    }
    struct entry *const logs = nw_calloc(runs->n, sizeof *logs);
    struct nw_guide_log *log = nw_calloc(1, sizeof *log);
    for (size_t i = 0; logs && i < runs->n; i++) {
        logs[i].log = runs->items[i].log;
        n += logs[i].log->n;
    }
    if (!logs || !log || !(log->path = nw_strdup(runs->path)) ||
        !(log->rows = nw_calloc(n, sizeof *log->rows))) {
        status = nw_err_set(err, NW_NOMEM, "%zu guide rows", n);
        goto done;
    }
    qsort(logs, runs->n, sizeof *logs, by_start);
    for (size_t i = 0; i < runs->n; i++) {
        const struct nw_guide_log *const part = logs[i].log;
        for (size_t k = 0; k < part->n; k++) {
            if (log->n == 0 || part->rows[k].t_s >= log->rows[log->n - 1].t_s) {
                log->rows[log->n++] = part->rows[k];
            }
        }
    }
    log->has_dates = logs[0].log->has_dates;
    log->has_zone = logs[0].log->has_zone;
    log->is_dec_sign_known = logs[0].log->is_dec_sign_known;
    log->exposure_s = logs[0].log->exposure_s;
    log->guide_scale_rad_px = log->ra_rate_rad_s = log->dec_rate_rad_s = NAN;
    log->declination_rad = log->hour_angle_rad = log->latitude_rad = log->worm_period_s = NAN;
    log->elevation_m = NAN;
    *ret = log;
    log = NULL;
done:
    nw_guide_free(log);
    free(logs);
    return status;
}
