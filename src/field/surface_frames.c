/* surface_frames.c - which frames a surface is made from, and where their sensor stood.
 * Idea: what can be said before any fit is said first (cloud, too few stars, no position); after a
 * fit the frame that belongs least is named, one at a time. */
#include "field/field_internal.h"

#include <math.h>

static const double SAME_PLACE_STEPS = 0.75;
static const double CLOUDY = 0.7; /* share of the best frame's light */

/* ---- Which frames, which method ---- */

enum nw_surface_method surface_method_of(const struct surface_job *job) {
    double places[3] = {NAN, NAN, NAN};
    size_t n = 0;
    for (size_t i = 0; i < job->n_used && n < 3; i++) {
        const double p = job->frames[job->used[i]].position_steps;
        bool is_new = isfinite(p);
        for (size_t k = 0; k < n; k++) {
            is_new = is_new && fabs(p - places[k]) > SAME_PLACE_STEPS;
        }
        if (is_new) {
            places[n++] = p;
        }
    }
    return n >= 3 ? NW_SURFACE_SWEEP : n == 2 ? NW_SURFACE_PAIR : NW_SURFACE_SINGLE;
}

void surface_refuse(struct surface_job *job, struct nw_surface *ret, size_t at, const char *why) {
    struct nw_surface_frame *const frame = &ret->frames[job->used[at]];
    frame->is_used = false;
    nw_text_copy(frame->why, sizeof frame->why, why);
    memmove(&job->used[at], &job->used[at + 1], (job->n_used - at - 1) * sizeof *job->used);
    job->n_used--;
}

/* What can be said before any fit: too few stars, no position, cloud. */
void surface_refuse_early(struct surface_job *job, struct nw_surface *ret) {
    enum { STARS_MIN = 12 };
    size_t n_placed = 0;
    for (size_t i = 0; i < job->n_frames; i++) {
        n_placed += isfinite(job->frames[i].position_steps) ? 1 : 0;
    }
    for (size_t i = job->n_used; i-- > 0;) {
        const struct nw_field_frame *const f = &job->frames[job->used[i]];
        char why[120] = "";
        if (f->n_stars < STARS_MIN) {
            (void)snprintf(why, sizeof why, "%zu usable stars, at least %d are needed", f->n_stars,
                           STARS_MIN);
        } else if (n_placed > 1 && !isfinite(f->position_steps)) {
            (void)snprintf(why, sizeof why, "its header says no focuser position");
        } else if (f->transmission < CLOUDY && job->n_frames > 3) {
            (void)snprintf(why, sizeof why, "cloud: %.0f %% of the light of the best frame",
                           100.0 * f->transmission);
        }
        if (why[0]) {
            surface_refuse(job, ret, i, why);
        }
    }
}

/* Several frames whose positions nobody knows, or that stand at one place: the sharpest serves. */
void surface_keep_sharpest(struct surface_job *job, struct nw_surface *ret) {
    while (job->n_used > 1) {
        const double a = job->frames[job->used[0]].fwhm_px;
        const double b = job->frames[job->used[1]].fwhm_px;
        surface_refuse(job, ret, a <= b ? 1 : 0,
                       "all frames stand at one focuser position; the sharpest serves");
    }
}

enum nw_status surface_check_sizes(const struct surface_job *job, struct nw_err *err) {
    for (size_t i = 1; i < job->n_frames; i++) {
        if (job->frames[i].width_px != job->frames[0].width_px ||
            job->frames[i].height_px != job->frames[0].height_px) {
            return nw_err_set(err, NW_DOMAIN, "%s: frame of %zu x %zu px, the first has %zu x %zu",
                              job->frames[i].path, job->frames[i].width_px,
                              job->frames[i].height_px, job->frames[0].width_px,
                              job->frames[0].height_px);
        }
    }
    return NW_OK;
}

/* ---- Places ---- */

/* Order of time, or as given where times are not known. */
void surface_sort_by_time(struct surface_job *job) {
    for (size_t i = 0; i < job->n_used; i++) {
        if (!isfinite(job->frames[job->used[i]].t_s)) {
            return;
        }
    }
    for (size_t i = 1; i < job->n_used; i++) {
        const size_t at = job->used[i];
        size_t k = i;
        for (; k > 0 && job->frames[job->used[k - 1]].t_s > job->frames[at].t_s; k--) {
            job->used[k] = job->used[k - 1];
        }
        job->used[k] = at;
    }
}

void surface_set_places(struct surface_job *job) {
    double sum = 0.0;
    for (size_t i = 0; i < job->n_used; i++) {
        sum += job->frames[job->used[i]].position_steps;
    }
    const double ref = job->opts->position_ref;
    job->ref_steps = isfinite(ref) ? ref : sum / (double)job->n_used;
    size_t n_inward = 0;
    size_t n_outward = 0;
    int direction = 0;
    for (size_t i = 0; i < job->n_used; i++) {
        const double p = job->frames[job->used[i]].position_steps;
        job->place[i] = job->method == NW_SURFACE_SINGLE ? 0.0
                        : job->is_metric                 ? job->opts->step_m * (p - job->ref_steps)
                                                         : p - job->ref_steps;
        const size_t near = i ? i : job->n_used > 1; /* the first: as the second one was reached */
        const double move = job->frames[job->used[near]].position_steps -
                            job->frames[job->used[near ? near - 1 : 0]].position_steps;
        direction = move > SAME_PLACE_STEPS ? 1 : move < -SAME_PLACE_STEPS ? -1 : direction;
        job->is_inward[i] = direction < 0;
        n_inward += direction < 0 ? 1 : 0;
        n_outward += direction > 0 ? 1 : 0;
    }
    job->has_backlash = job->method == NW_SURFACE_SWEEP && !job->opts->is_backlash_fixed &&
                        n_inward >= 3 && n_outward >= 3;
}

/* The frame of a sweep that fits worst, when it does not belong: its cells scatter far more than
 * the others', or its stars are far wider. n_used when all belong. */
size_t surface_find_stranger(const struct surface_job *job, char *why, size_t size) {
    double rms[FIELD_FRAMES_MAX];
    double width[FIELD_FRAMES_MAX];
    double values[FIELD_FRAMES_MAX];
    for (size_t i = 0; i < job->n_used; i++) {
        double sum = 0.0;
        size_t n = 0;
        for (size_t k = 0; k < job->fit.n_obs; k++) {
            if (job->obs[k].frame == i) {
                sum += fmin(100.0, pow(job->solution.pull[k], 2.0));
                n++;
            }
        }
        rms[i] = sqrt(sum / (double)(n ? n : 1));
        width[i] = job->solution.par[FIELD_W + i];
    }
    memcpy(values, rms, job->n_used * sizeof *values);
    const double usual = nw_stat_median(values, job->n_used);
    memcpy(values, width, job->n_used * sizeof *values);
    double centre = 0.0;
    const double spread = nw_stat_mad_sigma(values, job->n_used, &centre);
    size_t worst = job->n_used;
    double worst_by = 1.0;
    for (size_t i = 0; i < job->n_used; i++) {
        const double by_rms = rms[i] / fmax(2.5, 2.5 * usual);
        const double by_width = (width[i] - centre) / fmax(0.3, 5.0 * spread);
        if (fmax(by_rms, by_width) > worst_by) {
            worst_by = fmax(by_rms, by_width);
            worst = i;
            (void)snprintf(why, size,
                           by_rms > by_width
                               ? "its cells miss the common surface by %.1f sigmas, usual is %.1f"
                               : "its stars are %.1f times as wide as the others' (%.1f sigmas)",
                           by_rms > by_width ? rms[i] : exp(width[i] - centre),
                           by_rms > by_width ? usual : (width[i] - centre) / fmax(1e-3, spread));
        }
    }
    return worst;
}
