/* star_advice.c - what each change of the rig is worth, what to leave, what cannot be told.
 * Idea: a change is the same budget at another point. What evidence says of a thing that the change
 * makes better or worse (motion) moves by the same ratio in the changed rig, so that a change is
 * judged in the night at hand; a habit that it sets (airmass, length of a sub) is what it sets.
 * Currency: exposure time for point sources goes as the equivalent-noise area at equal sky and
 * throughput (King 1983, PASP 95, 163); extended light does not feel the width. */
#include <math.h>

#include "budget/star_internal.h"

#define WORTH_LEAST_PERCENT 1.0
#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)

/* rig -> changed rig, applied at the point in use. */
static void changed_point(const struct star_point *rig, const struct star_point *then,
                          const struct star_point *now, struct star_point *ret) {
    *ret = *then;
    for (int k = 0; k < STAR_N_PARAMS; k++) {
        const double before = rig->p[k].v;
        const double after = then->p[k].v;
        if (after == before) {
            ret->p[k] = now->p[k];
        } else if (k == STAR_P_AIRMASS) { /* a limit: nothing to win in a night that is within it */
            const double here = now->p[k].v;
            ret->p[k].v = after < before ? fmin(here, after) : fmax(here, after);
        } else if (k == STAR_P_SUB_LENGTH) {
            continue;
        } else if (fabs(before) > 0.0 && isfinite(after / before)) {
            ret->p[k].v = now->p[k].v * after / before;
        }
    }
    ret->is_interpolated = now->is_interpolated;
    ret->dec_rad = now->dec_rad;
    ret->focus_phase = now->focus_phase;
    memcpy(ret->factor, now->factor, sizeof ret->factor);
}

static bool has_no_attainable(int id) {
    return id == NW_STAR_AIR_ABOVE || id == NW_STAR_PIXEL || id == NW_STAR_DIFFRACTION;
}

/* Percent of exposure time saved going from area `now` to area `then`. */
static double saved_percent(const struct nw_psf *now, const struct nw_psf *then) {
    return 100.0 * (1.0 - then->neq_area_rad2 / now->neq_area_rad2);
}

/* Standard error of worth and of the difference of widths: every line moved by its own error, in
 * both states at once (an error of the air makes a change worth more or less, too); lines that the
 * change touches keep the error of the changed rig beside. */
static enum nw_status worth_error(const struct star_point *now, const struct star_point *then,
                                  const double *relative_sigma, struct nw_star_advice *advice,
                                  struct nw_err *err) {
    enum nw_status status = NW_OK;
    const double worth = advice->time_percent_point;
    const double difference = advice->total_then_rad - advice->total_now_rad;
    double sum_worth = 0.0;
    double sum_difference = 0.0;
    for (int id = 0; id < NW_STAR_N_LINES && status == NW_OK; id++) {
        if (!(relative_sigma[id] > 0.0)) {
            continue;
        }
        double scale[NW_STAR_N_LINES];
        for (int k = 0; k < NW_STAR_N_LINES; k++) {
            scale[k] = k == id ? 1.0 + fmin(1.0, relative_sigma[id]) : 1.0;
        }
        struct nw_psf a;
        struct nw_psf b;
        status = star_compose(now, scale, &a, err);
        if (status == NW_OK) {
            status = star_compose(then, scale, &b, err);
        }
        if (status == NW_OK) {
            sum_worth += pow(saved_percent(&a, &b) - worth, 2.0);
            sum_difference += pow(b.fwhm_rad - a.fwhm_rad - difference, 2.0);
        }
    }
    advice->sigma_percent = sqrt(sum_worth);
    advice->difference_sigma_rad = sqrt(sum_difference);
    return status;
}

/* The line that the change moves most, by its square. */
static enum nw_star_line_id main_line(const struct star_point *now, const struct star_point *then) {
    enum nw_star_line_id best = NW_STAR_AIR_ABOVE;
    double most = -1.0;
    for (int id = 0; id < NW_STAR_N_LINES; id++) {
        struct star_line a;
        struct star_line b;
        star_line_build((enum nw_star_line_id)id, now, &a);
        star_line_build((enum nw_star_line_id)id, then, &b);
        const double moved = fabs(a.width_rad * a.width_rad - b.width_rad * b.width_rad);
        if (moved > most) {
            most = moved;
            best = (enum nw_star_line_id)id;
        }
    }
    return best;
}

static void predict(struct nw_star_advice *advice) {
    const double change = ARCSEC(advice->total_then_rad - advice->total_now_rad);
    const double sigma = ARCSEC(advice->difference_sigma_rad);
    const double least = -change - 2.0 * sigma;
    char refuted[120];
    if (least >= 0.01) {
        (void)snprintf(refuted, sizeof refuted, "a fall of less than %.2f would refute this",
                       least);
    } else {
        (void)snprintf(refuted, sizeof refuted,
                       "a fall of more than %.2f, or a rise of more than %.2f, would refute this",
                       fmax(0.01, 2.0 * sigma - change), fmax(0.01, -least));
    }
    (void)snprintf(advice->prediction, sizeof advice->prediction,
                   "in the same air the mean width goes from %.2f to %.2f arcsec (%+.2f +- %.2f); "
                   "%s",
                   ARCSEC(advice->total_now_rad), ARCSEC(advice->total_then_rad), change, sigma,
                   refuted);
}

/* What all changes are judged beside. */
struct desk {
    const struct star_point *rig, *now;
    const double *relative_sigma;
    struct nw_star_budget *budget;
};

static enum nw_status judge(const struct desk *desk, const struct nw_star_alternative *alternative,
                            struct nw_star_advice *advice, struct star_point *then,
                            struct nw_err *err) {
    const struct nw_psf *whole = &desk->budget->whole;
    struct star_point raw;
    struct nw_psf psf;
    star_point_of(alternative->rig, alternative->setup, &raw);
    changed_point(desk->rig, &raw, desk->now, then);
    enum nw_status status = star_compose(then, NULL, &psf, err);
    if (status != NW_OK) {
        return nw_err_at(err, status, "change '%s'", alternative->change->name);
    }
    *advice = (struct nw_star_advice){.change = alternative->change,
                                      .total_now_rad = whole->fwhm_rad,
                                      .total_then_rad = psf.fwhm_rad,
                                      .time_percent_point = saved_percent(whole, &psf),
                                      .line = main_line(desk->now, then)};
    status = worth_error(desk->now, then, desk->relative_sigma, advice, err);
    if (status == NW_OK) {
        const struct nw_star_line *line = &desk->budget->lines[advice->line];
        struct star_line after;
        predict(advice);
        star_line_build(advice->line, then, &after);
        (void)snprintf(advice->why, sizeof advice->why, "%s: %.2f arcsec alone, then %.2f",
                       line->label, ARCSEC(line->alone_rad), ARCSEC(after.width_rad));
    }
    return status;
}

/* Attainable values of the lines by this change. */
static enum nw_status attain(const struct star_point *now, const struct star_point *then,
                             struct nw_star_budget *budget, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (int id = 0; id < NW_STAR_N_LINES && status == NW_OK; id++) {
        struct nw_star_line *line = &budget->lines[id];
        struct star_line after;
        star_line_build((enum nw_star_line_id)id, then, &after);
        const double best = isfinite(line->attainable_rad) ? line->attainable_rad : line->alone_rad;
        if (has_no_attainable(id) || !line->is_present ||
            !(after.width_rad < best * (1.0 - 1e-6))) {
            continue;
        }
        double scale[NW_STAR_N_LINES];
        for (int k = 0; k < NW_STAR_N_LINES; k++) {
            scale[k] = k == id ? fmax(1e-3, after.width_rad / line->alone_rad) : 1.0;
        }
        struct nw_psf psf;
        status = star_compose(now, scale, &psf, err);
        if (status == NW_OK) {
            line->attainable_rad = after.width_rad;
            line->time_percent_point = saved_percent(&budget->whole, &psf);
            line->time_percent_extended = 0.0; /* surface brightness does not feel the width */
        }
    }
    return status;
}

/* Worth per effort: a setting costs nothing, an adjustment an evening, a purchase money; the
 * weights 1, 2, 4 are ours. */
static double merit(const struct nw_star_advice *advice) {
    const char *effort = advice->change->effort;
    const double cost = strcmp(effort, "setting") == 0      ? 1.0
                        : strcmp(effort, "adjustment") == 0 ? 2.0
                                                            : 4.0;
    return advice->time_percent_point / cost;
}

static int by_merit(const void *a, const void *b) {
    const double x = merit(a);
    const double y = merit(b);
    return (x < y) - (x > y);
}

enum nw_status star_advise(const struct star_point *rig_point, const struct star_point *point,
                           const struct nw_star_alternative *alternatives, size_t n,
                           const double *relative_sigma, struct nw_star_budget *budget,
                           struct nw_err *err) {
    enum nw_status status = NW_OK;
    const struct desk desk = {rig_point, point, relative_sigma, budget};
    budget->advice = nw_calloc(n + 1, sizeof *budget->advice);
    budget->leave = nw_calloc(n + 1, sizeof *budget->leave);
    if (!budget->advice || !budget->leave) {
        return nw_err_set(err, NW_NOMEM, "advice on %zu changes", n);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        struct nw_star_advice advice;
        struct star_point then;
        status = judge(&desk, &alternatives[i], &advice, &then, err);
        if (status == NW_OK) {
            status = attain(point, &then, budget, err);
        }
        if (status != NW_OK) {
            break;
        }
        const bool is_worth = advice.time_percent_point >= WORTH_LEAST_PERCENT &&
                              advice.time_percent_point > advice.sigma_percent;
        if (is_worth) {
            budget->advice[budget->n_advice++] = advice;
        } else {
            budget->leave[budget->n_leave++] = advice;
        }
    }
    qsort(budget->advice, budget->n_advice, sizeof *budget->advice, by_merit);
    return status;
}
